"""Whose things one reaches by naming them: another player's, a grown-up child's, an address that is not one's own."""

import uuid
from datetime import date, timedelta

import pytest
from django.core import mail
from django.urls import reverse
from django.utils import timezone

from clubcoach.models import Invitation, Job, User
from players.models import Area, FilmConsent, Goal, Guardianship, Player, Unit
from reports.models import FocusPoint, Homework, HomeworkLog
from sessions.models import Analysis, Situation
from sessions.models.analyses import has_stake
from sessions.stakes import kin_of, with_stake
from tests import factories as make
from tests.clubcoach.walk import build_world

pytestmark = pytest.mark.django_db


@pytest.fixture
def theirs(cast, settings, world):
    partner = make.make_player(cast.other_club, "Olga")
    return build_world(
        cast.other_club,
        coach=cast.stranger,
        analyst=cast.stranger,
        player=cast.other_player,
        other=partner,
        mark="hilltop",
    )


def own_pages(world, player):
    """Every address about one player that a student or guardian has, with what is posted there."""
    slug = ["seaside"]
    return [
        ("get", reverse("student_page", args=[*slug, player.uuid]), {}),
        ("get", reverse("consent", args=[*slug, player.uuid]), {}),
        ("post", reverse("consent", args=[*slug, player.uuid]), {"withdraw": "1"}),
        ("get", reverse("still", args=[*slug, world["situations"]]), {}),
        ("post", reverse("homework_log", args=[*slug, world["homework"]]), {"good": 1, "uuid": uuid.uuid4()}),
        ("get", reverse("api:player-detail", args=[*slug, player.uuid]), {}),
    ]


def test_a_student_or_guardian_reaches_nothing_of_another_player(cast, world):
    logs, consents = HomeworkLog.objects.count(), FilmConsent.objects.in_force(date.today()).count()
    for person in (cast.guardian, make.make_member(cast.club, make.Role.STUDENT, name="Noa")):
        client = cast.client(person)
        for method, path, sent in own_pages(world, cast.ana):
            assert getattr(client, method)(path, sent).status_code == 404, path
        log = {"uuid": str(uuid.uuid4()), "done_on": str(cast.club.today()), "good": 1, "tried": 2}
        path = f"/c/seaside/api/v1/homework/{world['homework']}/logs/"
        assert client.post(path, log, content_type="application/json").status_code == 404
        for name in ("players", "scores", "focus", "homework"):
            body = client.get(f"/c/seaside/api/v1/{name}/").json()
            assert str(cast.ana.uuid) not in str(body), name
            named = client.get(f"/c/seaside/api/v1/{name}/", {"player": str(cast.ana.uuid)}).json()
            assert str(cast.ana.uuid) not in str(named), name
    assert HomeworkLog.objects.count() == logs
    assert FilmConsent.objects.in_force(date.today()).count() == consents


def test_a_guardian_s_view_ends_on_the_birthday_and_not_a_day_before(cast, world):
    """All pages and the JSON interface at once, whatever was open before."""
    make.guard(cast.ana, cast.guardian)
    client = cast.client(cast.guardian)
    today = cast.club.today()
    Player.objects.filter(pk=cast.ana.pk).update(
        born_on=today.replace(year=today.year - 18) + timedelta(days=1)
    )
    assert client.get(own_pages(world, cast.ana)[0][1]).status_code == 200
    assert str(cast.ana.uuid) in str(client.get("/c/seaside/api/v1/homework/").json())
    Player.objects.filter(pk=cast.ana.pk).update(born_on=today.replace(year=today.year - 18))
    for method, path, sent in own_pages(world, cast.ana):
        assert getattr(client, method)(path, sent).status_code == 404, path
    assert str(cast.ana.uuid) not in str(client.get("/c/seaside/api/v1/homework/").json())


def test_a_coach_logs_and_consents_for_nobody_but_herself_and_her_child(cast, world):
    """She reads everybody's page, and has the student's rights for her own: together they must not make more."""
    client = cast.client(cast.all_in_one)
    log = {"uuid": str(uuid.uuid4()), "done_on": str(cast.club.today()), "good": 1, "tried": 2}
    path = f"/c/seaside/api/v1/homework/{world['homework']}/logs/"
    assert client.post(path, log, content_type="application/json").status_code == 403
    page = reverse("homework_log", args=["seaside", world["homework"]])
    assert client.post(page, {"good": 1, "uuid": uuid.uuid4()}).status_code == 404
    assert client.get(reverse("consent", args=["seaside", cast.ana.uuid])).status_code == 404
    assert HomeworkLog.objects.count() == 1


def test_things_of_another_club_cannot_be_named_in_a_form(cast, world, theirs):
    """Each form is sent whole, with one thing of the other club in it."""
    client = cast.client(cast.head_coach)
    other = cast.other_club
    feet = Area.objects.get(club=cast.club, code="feet")
    foreign_area = Area.objects.get(club=other, code="feet")
    foreign_unit = Unit.objects.get(first=cast.other_player, kind="player")
    foreign_level = make.make_level(other, position=9)
    own_unit = Unit.objects.get(first=cast.ana, kind="player")
    foreign_drill = Homework.objects.get(uuid=theirs["homework"]).drill
    foreign_focus = FocusPoint.objects.get(pk=theirs["focus"])
    soon = cast.club.today() + timedelta(days=9)
    slug, ana = "seaside", cast.ana.uuid
    request = {"match": world["matches"], "units": ["1"], "areas": [feet.pk], "analyst": cast.assistant.pk}
    request |= {"purpose": "count", "plan": "all", "extent": "full"}
    goal = {"unit": own_unit.pk, "area": feet.pk, "target": 60, "due_on": soon}
    seats = {f"seat_{n}": "visitor" for n in (1, 2, 3, 4)}
    match = {
        "played_on": "2026-09-01",
        "kind": "friendly",
        "place": "indoor",
        "walls": "glass",
        "points_rule": "total",
    }
    match |= {"first_server": 1, "first_near": "A", "played_to": "free", "deuce": "golden", "sets_to_win": 2}
    match |= {"games_per_set": 6, **seats}
    wrong = [
        (reverse("request_analysis", args=[slug]), request | {"match": theirs["matches"]}),
        (reverse("request_analysis", args=[slug]), request | {"areas": [foreign_area.pk]}),
        (reverse("request_analysis", args=[slug]), request | {"units": [str(foreign_unit.pk)]}),
        (reverse("request_analysis", args=[slug]), request | {"analyst": cast.stranger.pk}),
        (reverse("analysis_assign", args=[slug, world["analyses"]]), {"analyst": cast.stranger.pk}),
        (reverse("match_new", args=[slug]), match | {"seat_1": cast.other_player.pk}),
        (reverse("goal_set", args=[slug, ana]), goal | {"unit": foreign_unit.pk}),
        (reverse("goal_set", args=[slug, ana]), goal | {"area": foreign_area.pk}),
        (reverse("player_new", args=[slug]), {"given_name": "N", "hand": "right", "level": foreign_level.pk}),
        (
            reverse("invite", args=[slug]),
            {"email": "n@example.org", "role": "student", "person": cast.other_player.uuid},
        ),
        (reverse("homework_give", args=[slug, ana]), {"drill": foreign_drill.pk, "times": 3}),
        (
            reverse("focus_set", args=[slug, ana]),
            {"check": f"{own_unit.pk}-{foreign_focus.check_identity_id}"},
        ),
        (
            reverse("focus_set", args=[slug, ana]),
            {"check": f"{foreign_unit.pk}-{foreign_focus.check_identity_id}"},
        ),
        (reverse("focus_drop", args=[slug, ana, foreign_focus.pk]), {}),
        (reverse("focus_reword", args=[slug, ana, foreign_focus.pk]), {"words": "x"}),
        (reverse("homework_withdraw", args=[slug, theirs["homework"]]), {}),
        (reverse("guardian_remove", args=[slug, cast.ben.uuid, cast.stranger.pk]), {}),
    ]
    kinds = (Analysis, Goal, Player, Invitation, Homework, FocusPoint, Situation)
    before = [kind.objects.count() for kind in kinds]
    for path, sent in wrong:
        assert client.post(path, sent).status_code in (404, 422), (path, sent)
    client.post(reverse("player_level", args=[slug, ana]), {"level": foreign_level.pk})
    cast.ana.refresh_from_db()
    assert cast.ana.level_id != foreign_level.pk
    assert [kind.objects.count() for kind in kinds] == before
    foreign_focus.refresh_from_db()
    assert foreign_focus.state == "active"
    assert Homework.objects.get(uuid=theirs["homework"]).withdrawn_at is None
    # The same forms with what is the club's own are taken: it was the one thing that was refused.
    assert client.post(reverse("goal_set", args=[slug, ana]), goal).status_code == 302
    assert client.post(reverse("match_new", args=[slug]), match).status_code == 302
    assert client.post(reverse("request_analysis", args=[slug]), request).status_code == 302


def test_a_parent_who_plays_bars_the_other_parent_from_judging(cast):
    """The club knows of them as guardians of one child: that is family."""
    make.guard(cast.ben, cast.assistant)
    make.guard(cast.ben, cast.student)
    match = make.make_match(cast.club, [cast.ana, None, None, None])
    assert has_stake(cast.assistant, match)
    people = [cast.assistant, cast.head_coach]
    assert with_stake(kin_of(cast.club, people), match) == {cast.assistant.pk}


def test_an_address_that_is_not_one_s_own_makes_nobody_a_guardian(cast):
    """Somebody adds a parent's address to their account; the coach types it; the child's page must stay closed."""
    client = cast.client(cast.assistant)
    parent = "parent@example.org"
    path = reverse("account_email")
    client.post(path, {"email": parent, "action_add": ""})
    client.post(path, {"email": parent, "action_primary": ""})
    client.post(path, {"email": cast.assistant.email, "action_remove": ""})
    cast.assistant.refresh_from_db()
    assert cast.assistant.email != parent
    added = cast.client(cast.head_coach).post(
        reverse("guardian_add", args=["seaside", cast.ben.uuid]), {"email": parent}
    )
    assert added.status_code == 302
    assert not Guardianship.objects.filter(player=cast.ben, guardian=cast.assistant).exists()
    assert Invitation.objects.get().email == parent
    assert [message.to for message in mail.outbox][-1] == [parent]


def test_two_invitations_to_one_new_address_accepted_at_once(cast, monkeypatch):
    """Both find no account yet; the second one hears so instead of meeting an error."""
    secrets = [
        Invitation.issue(club=cast.club, email="new@example.org", role=role, invited_by=cast.head_coach)[1]
        for role in ("assistant", "head_coach")
    ]
    fields = {"given_name": "New", "password": make.PASSWORD}
    paths = [reverse("invitation", args=[secret]) for secret in secrets]
    save = User.save

    def late(user, *args, **kwargs):
        """The other request gets through between the look and the writing."""
        monkeypatch.setattr(User, "save", save)
        User.objects.create_user("new@example.org", make.PASSWORD, given_name="New")
        save(user, *args, **kwargs)

    monkeypatch.setattr(User, "save", late)
    answer = cast.client(None).post(paths[0], fields)
    assert answer.status_code == 422
    assert "There is an account with this address" in answer.content.decode()


def test_the_note_of_a_job_that_broke_names_no_value(cast, monkeypatch):
    from clubcoach import jobs

    def breaks(work):
        raise ValueError("ana@example.org is not a number")

    monkeypatch.setitem(jobs.HANDLERS, "test.breaks", breaks)
    job = Job.objects.create(kind="test.breaks", club=cast.club, asked_by=cast.assistant, attempts_allowed=1)
    jobs.perform(job.pk)
    page = cast.client(cast.assistant).get(reverse("job", args=["seaside", job.uuid])).content.decode()
    assert "ValueError" in page
    assert "ana@example.org" not in page


def test_the_trail_says_who_and_which_fields_but_no_values(cast, world):
    from clubcoach.models import AuditEvent

    client = cast.client(cast.head_coach)
    client.post(
        reverse("player_new", args=["seaside"]),
        {
            "given_name": "Zebedee",
            "family_name": "Quux",
            "hand": "left",
            "born_on": "2001-02-03",
            "ref": "R77",
        },
    )
    player = Player.objects.get(given_name="Zebedee")
    client.post(
        reverse("consent_paper", args=["seaside", player.uuid]),
        {
            "as_": "player",
            "witness": "Wanda",
            "purpose": "Zebra",
            "expires_on": cast.club.today() + timedelta(days=30),
        },
    )
    client.post(
        reverse("invite", args=["seaside"]),
        {"email": "zeb@example.org", "role": "student", "person": player.uuid},
    )
    client.post(reverse("analysis_words", args=["seaside", world["published"]]), {"words": "Zebulon"})
    rows = str(list(AuditEvent.objects.values_list("action", "target_type", "target_id", "fields")))
    assert AuditEvent.objects.filter(at__gt=timezone.now() - timedelta(minutes=5)).count() >= 4
    for value in ("Zeb", "zeb", "Quux", "2001", "R77", "Wanda", "Zebra", "Zebulon"):
        assert value not in rows
