"""Check lists, levels and drills as data: refused in words, the same twice changes nothing, identity is protected."""

import copy
from datetime import date

import pytest
import time_machine
from django.core.exceptions import ValidationError

from clubcoach.models import AuditEvent
from players import lists
from players.models import Area, Check, CheckListVersion, CheckWording, Drill, Level, LevelStandard
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club():
    return make.make_club("lists", time_zone="America/Bogota")


@pytest.fixture
def data():
    return lists.default_data("check_list")


def rows_of(*models):
    return {model: list(model.objects.order_by("pk").values()) for model in models}


def install(club, data):
    return lists.install_check_list(by=None, club=club, data=data)


def changed(data, code, **values):
    other = copy.deepcopy(data)
    for row in other["areas"] + other["checks"]:
        if row["code"] == code:
            row.update(values)
    return other


class TestCheckList:
    def test_the_default_list_becomes_rows(self, club, data):
        version = install(club, data)
        assert (version.number, version.name, version.data) == (1, "default", data)
        assert Area.objects.count() == 8
        assert set(Area.objects.filter(on=True).values_list("code", flat=True)) == {
            "feet",
            "lob",
            "bandeja",
            "serve",
            "net",
        }
        assert Area.objects.get(code="net").for_pair
        assert "under 1 s" in Area.objects.get(code="feet").ball_hard
        wording = CheckWording.objects.get(check_identity__code="F1")
        assert (wording.cue, wording.end, wording.decides) == (
            "Small hop: land as they hit.",
            "near",
            "frames",
        )
        assert wording.bounds == {"within_s": 0.2}
        assert CheckWording.objects.filter(version=version).count() == len(data["checks"])
        assert set(
            CheckWording.objects.filter(asked=True).values_list("check_identity__code", flat=True)
        ) == {check["code"] for check in data["checks"] if check["on_by_default"]}

    def test_the_same_data_twice_changes_nothing(self, club, data):
        first = install(club, data)
        Area.objects.filter(code="lob").update(on=False)
        before = rows_of(Area, Check, CheckListVersion, CheckWording, AuditEvent)
        assert install(club, copy.deepcopy(data)) == first
        assert rows_of(Area, Check, CheckListVersion, CheckWording, AuditEvent) == before

    def test_other_words_are_a_new_version_and_the_old_words_stay(self, club, data):
        first = install(club, data)
        identities = set(Check.objects.values_list("pk", "code"))
        second = install(club, changed(data, "F1", cue="Hop now."))
        assert second.number == 2
        assert lists.current_list(club) == second
        assert set(Check.objects.values_list("pk", "code")) == identities
        told = {row.version_id: row.cue for row in CheckWording.objects.filter(check_identity__code="F1")}
        assert told == {first.pk: "Small hop: land as they hit.", second.pk: "Hop now."}
        assert AuditEvent.objects.filter(action="check_list.installed").count() == 2

    @pytest.mark.parametrize(
        ("code", "values", "field"),
        [
            ("F1", {"kind": "result", "phase": 90}, "check F1: kind"),
            ("N1", {"unit": "player"}, "check N1: unit"),
            ("net", {"unit": "player"}, "area net: unit"),
        ],
    )
    def test_what_a_check_is_may_never_change(self, club, data, code, values, field):
        install(club, data)
        before = rows_of(Area, Check, CheckListVersion, CheckWording)
        other = changed(data, code, **values)
        if code == "net":
            for check in other["checks"]:
                check["unit"] = "player" if check["area"] == "net" else check["unit"]
        with pytest.raises(ValidationError) as refused:
            install(club, other)
        assert any(field in sentence for sentence in refused.value.messages), refused.value.messages
        assert any("code of its own" in sentence for sentence in refused.value.messages)
        assert rows_of(Area, Check, CheckListVersion, CheckWording) == before

    def test_a_check_may_not_move_to_another_area(self, club, data):
        install(club, data)
        off = next(row for row in data["checks"] if row["area"] == "feet" and not row["on_by_default"])
        moved = changed(data, off["code"], area="serve", phase=80, kind="result", trigger="")
        with pytest.raises(ValidationError, match=f"check {off['code']}: area"):
            install(club, moved)

    def test_a_check_that_vanished_is_retired_on_the_club_s_day_and_comes_back(self, club, data):
        install(club, data)
        off = next(row["code"] for row in data["checks"] if not row["on_by_default"])
        shorter = copy.deepcopy(data)
        shorter["checks"] = [row for row in shorter["checks"] if row["code"] != off]
        # 3 in the morning in London is still the evening before where the club is.
        with time_machine.travel("2026-03-01T03:00:00Z", tick=False):
            version = install(club, shorter)
        assert Check.objects.get(code=off).retired_on.isoformat() == "2026-02-28"
        assert off not in [row.check_identity.code for row in lists.checks_of(version)]
        install(club, data)
        assert Check.objects.get(code=off).retired_on is None
        assert CheckListVersion.objects.count() == 3

    def test_an_area_that_vanished_is_off_and_the_club_s_own_switch_stays(self, club, data):
        install(club, data)
        Area.objects.filter(code="glass").update(on=True)
        Area.objects.filter(code="lob").update(on=False)
        shorter = copy.deepcopy(data)
        shorter["areas"] = [row for row in shorter["areas"] if row["code"] != "return"]
        shorter["checks"] = [row for row in shorter["checks"] if row["area"] != "return"]
        Area.objects.filter(code="return").update(on=True)
        install(club, shorter)
        on = dict(Area.objects.values_list("code", "on"))
        assert (on["return"], on["glass"], on["lob"], on["feet"]) == (False, True, False, True)
        install(club, changed(shorter, "glass", on_by_default=False, name="Off the glass"))
        assert Area.objects.get(code="glass").on

    def test_faults_are_said_with_place_and_remedy_and_nothing_is_written(self, club, data):
        with pytest.raises(ValidationError) as refused:
            install(club, changed(data, "F1", end="middle", cue=""))
        told = " | ".join(refused.value.messages)
        assert "check F1: end: 'middle' is not known. choose from near, both, far." in told
        assert "check F1: cue: it is missing or empty. write it." in told
        assert not Area.objects.exists()
        assert not CheckListVersion.objects.exists()

    @pytest.mark.parametrize("nonsense", [None, [], "list", {"areas": 3}, {"areas": [None], "checks": [1]}])
    def test_nonsense_is_refused_in_words(self, club, nonsense):
        with pytest.raises(ValidationError):
            install(club, nonsense)
        assert not CheckListVersion.objects.exists()

    def test_a_text_longer_than_its_column_is_said_before_the_database_says_it(self, club, data):
        with pytest.raises(ValidationError, match="check F1: cue"):
            install(club, changed(data, "F1", cue="hop " * 60))
        assert not Check.objects.exists()

    def test_two_clubs_have_their_own(self, club, data):
        other = make.make_club("others")
        install(club, data)
        install(other, changed(data, "F1", kind="result", phase=90))
        assert Check.objects.get(club=club, code="F1").kind == "doing"
        assert Check.objects.get(club=other, code="F1").kind == "result"

    def test_the_wordings_of_a_version_take_one_query(self, club, data, django_assert_num_queries):
        version = install(club, data)
        with django_assert_num_queries(1):
            rows = lists.checks_of(version)
            told = [(row.check_identity.area.code, row.check_identity.code) for row in rows]
        assert told[:3] == [("feet", "F1"), ("feet", "F2"), ("feet", "F3")]
        assert len(told) == len(data["checks"])


class TestLevels:
    @pytest.fixture(autouse=True)
    def _list(self, club, data):
        install(club, data)

    def put(self, club, data):
        return lists.install_levels(by=None, club=club, data=data)

    def told(self, club):
        return list(Level.objects.filter(club=club).values_list("position", "name"))

    def test_levels_with_their_standards_and_twice_changes_nothing(self, club):
        levels = lists.default_data("levels")
        self.put(club, levels)
        assert self.told(club) == [(1, "Starter"), (2, "Steady"), (3, "Strong")]
        assert LevelStandard.objects.get(level__name="Steady", area__code="lob").score == 54
        before = rows_of(Level, LevelStandard, AuditEvent)
        self.put(club, levels)
        assert rows_of(Level, LevelStandard, AuditEvent) == before

    def test_changed_order_scores_and_a_level_of_the_club_s_own(self, club):
        levels = lists.default_data("levels")
        self.put(club, levels)
        own = Level.objects.create(club=club, position=4, name="Stars")
        player = make.make_player(club, level=Level.objects.get(club=club, name="Starter"))
        first, second, third = levels["levels"]
        levels["levels"] = [
            third | {"order": 1, "standards": {"feet": 80}},
            {"name": "New", "order": 2, "description": "Between.", "standards": {}},
            first | {"order": 3},
        ]
        self.put(club, levels)
        assert self.told(club) == [(1, "Strong"), (2, "New"), (3, "Starter"), (4, "Steady"), (5, "Stars")]
        assert list(
            LevelStandard.objects.filter(level__name="Strong").values_list("area__code", "score")
        ) == [("feet", 80)]
        assert LevelStandard.objects.filter(level__name=second["name"]).count() == 8
        player.refresh_from_db()
        assert player.level.name == "Starter"
        own.refresh_from_db()
        assert own.position == 5
        before = rows_of(Level, LevelStandard, AuditEvent)
        self.put(club, levels)
        assert rows_of(Level, LevelStandard, AuditEvent) == before

    @pytest.mark.parametrize(
        ("rows", "words"),
        [
            ([], "add at least one level"),
            ([{"name": "", "description": "d", "order": 1, "standards": {}}], "name or description"),
            ([{"name": "A", "description": "d", "order": "one", "standards": {}}], "whole number"),
            ([{"name": "A", "description": "d", "order": 1, "standards": {"smash": 50}}], "no such area"),
            ([{"name": "A", "description": "d", "order": 1, "standards": {"feet": 101}}], "0 to 100"),
            ([{"name": "A", "description": "d", "order": 1, "standards": {"feet": True}}], "0 to 100"),
            ([{"name": "A", "description": "d", "order": 1}], "no standards"),
            ([{"name": "A", "description": "d", "order": n, "standards": {}} for n in (1, 2)], "share one"),
        ],
    )
    def test_faults_are_said(self, club, rows, words):
        with pytest.raises(ValidationError, match=words):
            self.put(club, {"levels": rows})
        assert not Level.objects.filter(club=club).exists()


class TestDrills:
    @pytest.fixture(autouse=True)
    def _list(self, club, data):
        install(club, data)

    def test_drills_with_what_they_train_and_twice_changes_nothing(self, club):
        drills = lists.default_data("drills")
        lists.install_drills(by=None, club=club, data=drills)
        assert Drill.objects.count() == len(drills["drills"])
        hop = Drill.objects.get(code="feet-hop-at-home")
        assert set(hop.checks.values_list("code", flat=True)) == {"F1", "F2"}
        assert list(hop.areas.values_list("code", flat=True)) == ["feet"]
        assert hop.passing == "Ten in a row that look like the picture."
        before = rows_of(Drill, Drill.checks.through, Drill.areas.through, AuditEvent)
        lists.install_drills(by=None, club=club, data=drills)
        assert rows_of(Drill, Drill.checks.through, Drill.areas.through, AuditEvent) == before

    def test_a_drill_that_vanished_is_retired_and_one_that_changed_is_changed(self, club):
        drills = lists.default_data("drills")
        lists.install_drills(by=None, club=club, data=drills)
        gone = drills["drills"].pop(0)
        drills["drills"][0]["minutes"] = 6
        drills["drills"][0]["checks"] = drills["drills"][0]["checks"][:1]
        lists.install_drills(by=None, club=club, data=drills)
        assert Drill.objects.get(code=gone["code"]).retired_on == club.today()
        kept = Drill.objects.get(code=drills["drills"][0]["code"])
        assert (kept.minutes, kept.checks.count(), kept.retired_on) == (6, 1, None)

    def test_the_plan_comes_along_and_a_changed_one_is_changed(self, club):
        drills = lists.default_data("drills")
        lists.install_drills(by=None, club=club, data=drills)
        code = drills["drills"][0]["code"]
        assert Drill.objects.get(code=code).court == drills["drills"][0]["court"]
        drills["drills"][0]["court"]["players"][0]["at"] = [0.5, 0.5]
        del drills["drills"][1]["court"]
        lists.install_drills(by=None, club=club, data=drills)
        assert Drill.objects.get(code=code).court["players"][0]["at"] == [0.5, 0.5]
        assert Drill.objects.get(code=drills["drills"][1]["code"]).court == {}

    def test_what_the_club_wrote_changed_or_retired_itself_stays(self, club):
        drills = lists.default_data("drills")
        lists.install_drills(by=None, club=club, data=drills)
        changed, retired = (row["code"] for row in drills["drills"][:2])
        Drill.objects.filter(code=changed).update(own=True, name="Our hop", minutes=3)
        Drill.objects.filter(code=retired).update(retired_on=date(2026, 1, 5))
        ours = Drill.objects.create(
            club=club, code="ours", name="Ours", stage="fed", place="court", minutes=10, own=True
        )
        before = rows_of(Drill, Drill.checks.through, Drill.areas.through, AuditEvent)
        lists.install_drills(by=None, club=club, data=drills)
        assert rows_of(Drill, Drill.checks.through, Drill.areas.through, AuditEvent) == before
        drills["drills"] = drills["drills"][1:]
        lists.install_drills(by=None, club=club, data=drills)
        ours.refresh_from_db()
        hop = Drill.objects.get(code=changed)
        assert (ours.retired_on, hop.retired_on, hop.name) == (None, None, "Our hop")

    def test_a_drill_for_a_check_that_is_not_there_is_refused(self, club):
        drills = lists.default_data("drills")
        drills["drills"][0]["checks"] = ["X9"]
        with pytest.raises(ValidationError, match="'X9' is no known check"):
            lists.install_drills(by=None, club=club, data=drills)
        assert not Drill.objects.exists()


def test_a_new_club_gets_all_defaults_at_once(club):
    version = lists.install_defaults(by=None, club=club)
    assert version.number == 1
    assert Level.objects.filter(club=club).count() == 3
    assert Drill.objects.filter(club=club).count() == len(lists.default_data("drills")["drills"])


def test_there_is_no_other_default_data():
    with pytest.raises(LookupError):
        lists.default_data("../pyproject")
