"""Drills written, changed and copied by a club, and the standard library beside them."""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from clubcoach.models import AuditEvent, Membership
from players import lists
from players.models import Check, Drill
from players.services.drills import bring_in_standard, copy_drill, save_drill

pytestmark = pytest.mark.django_db
PLAN = {"view": "half", "players": [{"id": "P1", "at": [2, -8]}]}


def checks(club, *codes):
    return list(Check.objects.filter(club=club, code__in=codes).select_related("area"))


def values(cast, **changed):
    usual = {
        "name": "Two cones",
        "checks": checks(cast.club, "F1", "L2"),
        "stage": "fed",
        "place": "court",
        "players_min": 2,
        "players_max": 3,
        "kit": ["rackets", "balls", "2 cones"],
        "minutes": 12,
        "dose": "3 sets of 10 balls, 60 s rest.",
        "passing": "7 of 10 twice running.",
        "overheads": 0,
        "loads": ["knee"],
        "cautions": ["Clear loose balls from the court before every set."],
        "steps": ["One feeds.", "The other lands, then goes."],
        "court": PLAN,
        "source": "",
    }
    return usual | changed


def save(cast, by=None, drill=None, **changed):
    return save_drill(by=by or cast.head_coach, club=cast.club, drill=drill, **values(cast, **changed))


def standard(cast, club=None):
    """The standard library, less what the small check list of the tests does not have."""
    return bring_in_standard(by=cast.head_coach if club is None else cast.stranger, club=club or cast.club)


class TestSave:
    def test_a_new_drill_is_the_club_s_own_with_its_writer_and_the_areas_of_its_checks(self, cast):
        drill = save(cast, by=cast.assistant)
        drill.refresh_from_db()
        assert (drill.code, drill.own, drill.written_by, drill.retired_on) == (
            "two-cones",
            True,
            cast.assistant,
            None,
        )
        assert set(drill.areas.values_list("code", flat=True)) == {"feet", "lob"}
        assert drill.source == "the club's own practice"
        assert (drill.court, drill.kit) == (PLAN, ["rackets", "balls", "2 cones"])
        event = AuditEvent.objects.get(action="drill.added")
        assert (event.actor, event.target_id) == (cast.assistant, str(drill.pk))
        assert {"name", "checks"} <= set(event.fields)

    def test_codes_are_free_short_and_no_words_of_an_address(self, cast):
        codes = [save(cast, name=name).code for name in ("Net", "Net", "New", "Standard", "3 balls", "☃☃")]
        assert codes == ["net", "net-2", "new-2", "standard-2", "drill-3-balls", "drill"]
        long = [save(cast, name="Left and right " * 7).code for _ in range(2)]
        assert max(map(len, long)) <= 40
        assert len(set(long)) == 2

    def test_everything_that_is_wrong_is_said_at_its_field_and_nothing_is_written(self, cast):
        with pytest.raises(ValidationError) as refused:
            save(
                cast,
                minutes=40,
                place="home",
                overheads=20,
                loads=[],
                steps=["One."],
                cautions=[],
                players_max=1,
                court={"view": "half", "players": []},
                checks=[],
                dose="x" * 201,
            )
        told = refused.value.message_dict
        assert told["minutes"] == ["40 is not a whole number in range. Use 1 to 5."]
        assert told["overheads"] == ["Overheads are set as homework. Use the wall or the court, or none."]
        assert told["kit"] == ["Balls are used at home. Leave the ball out, or change the place."]
        assert told["checks"][0].startswith("It names no check")
        assert told["court"] == ["Nobody is on the plan. Draw at least one player."]
        assert set(told) == {
            "minutes", "overheads", "kit", "steps", "cautions", "players_max", "court", "checks", "dose",
        }  # fmt: skip
        assert not Drill.objects.exists()
        assert not AuditEvent.objects.exists()

    def test_overheads_name_the_arm(self, cast):
        with pytest.raises(ValidationError) as refused:
            save(cast, overheads=10, loads=["back"])
        assert list(refused.value.message_dict) == ["loads"]
        assert save(cast, overheads=10, loads=["shoulder", "elbow"]).overheads == 10

    def test_a_check_of_another_club_is_refused(self, cast):
        with pytest.raises(ValidationError) as refused:
            save(cast, checks=checks(cast.other_club, "F1"))
        assert refused.value.message_dict == {"checks": ["This is no check of the club."]}

    def test_a_drill_of_another_club_is_not_found(self, cast):
        theirs = save_drill(
            by=cast.stranger,
            club=cast.other_club,
            **values(cast, checks=checks(cast.other_club, "F1")),
        )
        with pytest.raises(Drill.DoesNotExist):
            save(cast, drill=theirs, name="Taken over")

    def test_a_changed_library_drill_is_the_club_s_own_and_one_that_is_not_changed_is_not(self, cast):
        standard(cast)
        drill = Drill.objects.get(code="feet-hop-at-home")
        same = {name: getattr(drill, name) for name in values(cast) if name != "checks"}
        save_drill(by=cast.head_coach, club=cast.club, drill=drill, checks=drill.checks.all(), **same)
        drill.refresh_from_db()
        assert not drill.own
        assert not AuditEvent.objects.filter(action="drill.changed").exists()
        save_drill(
            by=cast.head_coach,
            club=cast.club,
            drill=drill,
            checks=drill.checks.all(),
            **same | {"minutes": 4},
        )
        drill.refresh_from_db()
        assert (drill.own, drill.minutes) == (True, 4)
        assert AuditEvent.objects.get(action="drill.changed").fields == ["minutes"]

    def test_who_may_change_what(self, cast):
        own = save(cast, by=cast.assistant)
        save(cast, by=cast.assistant, drill=own, minutes=9)
        save(cast, by=cast.head_coach, drill=own, minutes=8)
        for person in (cast.all_in_one, cast.manager, cast.student, cast.guardian, cast.stranger):
            with pytest.raises(PermissionDenied):
                save(cast, by=person, drill=own, minutes=7)
        for person in (cast.manager, cast.student, cast.guardian, cast.stranger):
            with pytest.raises(PermissionDenied):
                save(cast, by=person)
            with pytest.raises(PermissionDenied):
                copy_drill(by=person, drill=own)
        own.refresh_from_db()
        assert (own.minutes, own.written_by) == (8, cast.assistant)
        Membership.objects.filter(user=cast.assistant).delete()
        with pytest.raises(PermissionDenied):
            save(cast, by=cast.assistant, drill=own, minutes=6)


class TestCopy:
    def test_a_copy_has_everything_but_code_name_and_writer(self, cast):
        standard(cast)
        drill = Drill.objects.filter(areas__code="bandeja", overheads__gt=0).first()
        copy = copy_drill(by=cast.assistant, drill=drill)
        assert copy.name == f"{drill.name} (copy)"
        assert (copy.own, copy.copied_from, copy.written_by) == (True, drill.code, cast.assistant)
        for field in (
            "stage",
            "place",
            "kit",
            "minutes",
            "overheads",
            "cautions",
            "steps",
            "court",
            "source",
        ):
            assert getattr(copy, field) == getattr(drill, field), field
        assert set(copy.checks.all()) == set(drill.checks.all())
        assert set(copy.areas.all()) == set(drill.areas.all())
        again = copy_drill(by=cast.assistant, drill=drill)
        assert len({drill.code, copy.code, again.code}) == 3
        save(cast, by=cast.assistant, drill=copy)
        drill.refresh_from_db()
        assert not drill.own

    def test_a_long_name_keeps_its_ending(self, cast):
        copy = copy_drill(by=cast.head_coach, drill=save(cast, name="n" * 120))
        assert len(copy.name) == 120
        assert copy.name.endswith(" (copy)")


class TestStandard:
    def test_a_club_without_drills_gets_all_it_can_use_and_twice_changes_nothing(self, cast):
        told = standard(cast)
        wanted = lists.default_data("drills")["drills"]
        known = set(Check.objects.filter(club=cast.club).values_list("code", flat=True))
        fitting = [row for row in wanted if known.issuperset(row["checks"])]
        assert told.added == len(fitting) == Drill.objects.filter(club=cast.club).count() > 0
        assert told.left_out == len(wanted) - len(fitting) > 0
        again = standard(cast)
        assert (again.added, again.updated, again.left_own) == (0, 0, 0)
        assert AuditEvent.objects.filter(action="drills.installed").count() == 1

    def test_unchanged_ones_are_brought_up_to_date_and_own_and_retired_ones_left_alone(self, cast):
        standard(cast)
        drills = Drill.objects.filter(club=cast.club)
        old, own, retired, gone = drills.order_by("code")[:4]
        Drill.objects.filter(pk=old.pk).update(minutes=1, dose="once")
        Drill.objects.filter(pk=own.pk).update(own=True, name="Ours")
        Drill.objects.filter(pk=retired.pk).update(retired_on="2026-01-01")
        gone.delete()
        written = save(cast)
        told = standard(cast)
        assert (told.added, told.updated, told.left_own) == (1, 1, 1)
        for row in (old, own, retired, written):
            row.refresh_from_db()
        assert old.dose != "once"
        assert own.name == "Ours"
        assert retired.retired_on is not None
        assert (written.own, written.retired_on) == (True, None)

    def test_a_drill_of_the_club_s_own_with_a_standard_code_stays_the_club_s(self, cast):
        code = lists.default_data("drills")["drills"][0]["code"]
        own = save(cast)
        Drill.objects.filter(pk=own.pk).update(code=code)
        standard(cast)
        own.refresh_from_db()
        assert (own.name, own.own) == ("Two cones", True)
        assert Drill.objects.filter(club=cast.club, code=code).count() == 1

    def test_a_list_without_any_of_the_checks_is_told_so(self, cast):
        for number, check in enumerate(Check.objects.filter(club=cast.club)):
            check.code = f"Q{number}"
            check.save(update_fields=["code"])
        with pytest.raises(ValidationError, match="none of the checks"):
            standard(cast)
        assert not Drill.objects.exists()

    def test_only_the_head_coach(self, cast):
        for person in (cast.assistant, cast.manager, cast.student, cast.stranger):
            with pytest.raises(PermissionDenied):
                bring_in_standard(by=person, club=cast.club)
        assert not Drill.objects.exists()
