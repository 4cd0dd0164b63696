"""Two steps at the same moment, from two connections: one of them wins, and nothing is half done."""

import threading

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from clubcoach.models import AuditEvent, Membership
from sessions import services
from sessions.models import Analysis, Cover, Tally
from tests.sessions.chain import make_chain

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*steps):
    """Run the steps in threads that start together; returns what each gave or raised."""
    gate, told = threading.Barrier(len(steps)), [None] * len(steps)

    def run(index, step):
        gate.wait()
        try:
            told[index] = step()
        except Exception as error:
            told[index] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=item) for item in enumerate(steps)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    return told


@pytest.fixture
def two(cast):
    """Two submitted analyses of the same player in the same match."""
    first = make_chain(cast, state="submitted")
    second = make_chain(cast, match=first.match, state="submitted")
    for chain in (first, second):
        chain.see(marks={"L2": "met"})
        chain.close()
    return first, second


def publishing(chain, by=None):
    analysis = Analysis.objects.get(pk=chain.analysis.pk)
    return lambda: services.publish(by=by or chain.cast.head_coach, analysis=analysis)


def test_two_analyses_that_would_both_count(two):
    told = at_once(*map(publishing, two))
    errors = [answer for answer in told if isinstance(answer, Exception)]
    assert [type(error) for error in errors] == [ValidationError], told
    assert "already" in errors[0].messages[0]
    assert Cover.objects.filter(current=True).count() == Tally.objects.count() == 1
    assert sorted(Analysis.objects.values_list("state", flat=True)) == ["published", "submitted"]


def test_the_same_one_by_two_head_coaches(two, cast):
    Membership.objects.create(user=cast.two_clubs, club=cast.club, role="head_coach")
    told = at_once(publishing(two[0]), publishing(two[0], cast.two_clubs))
    errors = [answer for answer in told if isinstance(answer, Exception)]
    assert [type(error) for error in errors] == [ValidationError], told
    assert Tally.objects.count() == 1
    assert AuditEvent.objects.filter(action="analysis.published").count() == 1


def test_published_and_sent_back_at_once(two, cast):
    analysis = Analysis.objects.get(pk=two[0].analysis.pk)
    told = at_once(
        publishing(two[0]), lambda: services.send_back(by=cast.head_coach, analysis=analysis, text="Again")
    )
    assert sum(isinstance(answer, ValidationError) for answer in told) == 1, told
    state = two[0].fresh().state
    assert Tally.objects.exists() is (state == "published")
    assert two[0].analysis.comments.exists() is (state == "returned")


def test_two_corrections_of_the_same_version(two, cast):
    services.publish(by=cast.head_coach, analysis=two[0].analysis)

    def correct():
        return services.new_version(by=cast.head_coach, analysis=Analysis.objects.get(pk=two[0].analysis.pk))

    told = at_once(correct, correct)
    assert sum(isinstance(answer, ValidationError) for answer in told) == 1, told
    assert Analysis.objects.filter(supersedes=two[0].analysis).count() == 1
