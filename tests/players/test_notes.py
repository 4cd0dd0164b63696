"""Coaches' notes: who writes them, who takes them back, and that both are on record."""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from clubcoach.models import AuditEvent
from players.models import Note, Unit
from players.services import withdraw_note, write_note

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit(cast):
    return Unit.objects.get(first=cast.ana, kind="player")


def write(cast, unit, *, by=None, text="  Eyes on the ball.  ", **fields):
    return write_note(by=by or cast.assistant, unit=unit, text=text, **fields)


def test_a_note_is_kept_without_the_blanks_around_it_and_is_on_record(cast, unit):
    note = write(cast, unit, for_players=True)
    assert (note.text, note.by, note.for_players) == ("Eyes on the ball.", cast.assistant, True)
    assert AuditEvent.objects.get(action="note.written").target_id == str(note.pk)
    assert list(Note.objects.told()) == [note]
    write(cast, unit)
    assert Note.objects.told().count() == 1


@pytest.mark.parametrize(("text", "said"), [("   ", "Write what you saw"), ("x" * 601, "601 characters")])
def test_nothing_and_too_much_are_refused(cast, unit, text, said):
    with pytest.raises(ValidationError) as error:
        write(cast, unit, text=text)
    assert said in error.value.message_dict["text"][0]
    assert not Note.objects.exists()
    assert write(cast, unit, text=f" {'x' * 600} ").text == "x" * 600


@pytest.mark.parametrize("person", ["manager", "student", "guardian", "stranger"])
def test_only_coaches_of_the_club_write(cast, unit, person):
    with pytest.raises(PermissionDenied):
        write(cast, unit, by=getattr(cast, person))


@pytest.mark.parametrize(
    ("person", "allowed"),
    [
        ("assistant", True),
        ("head_coach", True),
        ("two_clubs", False),
        ("student", False),
        ("stranger", False),
    ],
)
def test_the_writer_and_the_head_coach_take_it_back(cast, unit, person, allowed):
    note = write(cast, unit)
    if allowed:
        withdraw_note(by=getattr(cast, person), note=note)
    else:
        with pytest.raises(PermissionDenied):
            withdraw_note(by=getattr(cast, person), note=note)
    assert Note.objects.standing().exists() is not allowed
    assert AuditEvent.objects.filter(action="note.withdrawn").exists() is allowed


def test_taking_it_back_twice_says_so(cast, unit):
    note = write(cast, unit)
    withdraw_note(by=cast.assistant, note=note)
    with pytest.raises(ValidationError, match="already"):
        withdraw_note(by=cast.assistant, note=note)
