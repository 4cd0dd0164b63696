"""Scores from tallies: the same twice, the same on both paths, and what was told stays told."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.compute.progression import fit_progression, p_better
from players.models import Unit
from reports import scoring
from reports.models import Score, SharedFit
from reports.scoring import full_fit, full_fit_due, prepare_full_fit, rescore_units, switch_over
from sessions.models import Cover, Tally
from tests import factories as make
from tests.reports.published import CODES, FIRST, publish_many, publish_rows, unit_of

pytestmark = pytest.mark.django_db


def table(series="now", **which):
    rows = Score.objects.filter(series=series, **which).order_by("unit", "area", "day")
    return {(row.unit_id, row.area_id, row.day): row for row in rows}


def values(rows):
    return {key: (row.score, row.low, row.high, row.n, row.better_than_first) for key, row in rows.items()}


def far(ours, theirs):
    """Largest difference of score, low and high."""
    assert ours.keys() == theirs.keys()
    return max(
        abs(getattr(ours[key], name) - getattr(theirs[key], name))
        for key in ours
        for name in ("score", "low", "high")
    )


class TestFullFit:
    def test_a_club_without_tallies_has_nothing_to_fit(self, cast):
        assert full_fit(club=cast.club) is None
        assert not SharedFit.objects.exists()

    def test_rows_are_what_the_model_says(self, cast):
        publish_many(cast)
        fit = full_fit(club=cast.club)
        assert fit.highest_tally == Tally.objects.order_by("-pk").first().pk
        rows = Tally.objects.select_related("check_identity")
        result = fit_progression(
            player=[row.unit_id for row in rows],
            day=[row.day.toordinal() for row in rows],
            area=[row.check_identity.area_id for row in rows],
            check=[row.check_identity_id for row in rows],
            analyst=[row.analyst_id for row in rows],
            ball=[1] * len(rows),
            seen=[row.seen for row in rows],
            met=[row.met for row in rows],
        )
        told = result.scores()
        stored = table()
        assert len(stored) == len(told["player"]) == 3 * 3 * 4
        for unit, day, area, score, low, high, n in zip(*told.values(), strict=True):
            row = stored[unit, area, date.fromordinal(day)]
            assert (row.score, row.low, row.high) == pytest.approx((score, low, high), abs=1e-9)
            assert row.n == n

    def test_n_is_what_was_seen_up_to_that_day(self, cast):
        publish_many(cast)
        full_fit(club=cast.club)
        rows = [row for key, row in sorted(table(unit=unit_of(cast.ana)).items(), key=lambda kv: kv[0][1:])]
        assert [row.n for row in rows[:4]] == [20, 40, 60, 80]

    def test_results_do_not_count_and_other_clubs_neither(self, cast):
        ana = unit_of(cast.ana)
        publish_rows(cast, {ana: {"L2": (10, 5), "L1": (10, 10), "L4": (9, 0)}})
        full_fit(club=cast.club)
        assert [row.n for row in table().values()] == [10]
        assert not Score.objects.filter(club=cast.other_club).exists()

    def test_only_current_versions_count(self, cast):
        ana = unit_of(cast.ana)
        old = publish_rows(cast, {ana: {"L2": (30, 0)}})
        publish_rows(cast, {ana: {"L2": (10, 5)}}, day=FIRST + timedelta(days=7))
        Cover.objects.filter(analysis=old).update(current=False)
        full_fit(club=cast.club)
        assert [(row.day, row.n) for row in table().values()] == [(FIRST + timedelta(days=7), 10)]

    def test_better_than_first_comes_from_joint_draws(self, cast):
        publish_many(cast, seen=60)
        full_fit(club=cast.club)
        ana, area = unit_of(cast.ana), cast.club.areas.get(code="lob")
        rows = [row for row in Score.objects.filter(unit=ana, area=area, series="now")]
        assert rows[0].better_than_first is None
        result = scoring.read_tallies(club=cast.club).fit()
        better = p_better(
            result,
            ana.pk,
            area.pk,
            rows[-1].day.toordinal(),
            rows[0].day.toordinal(),
            rng=np.random.default_rng(5),
            n=20000,
        )
        assert rows[-1].better_than_first == pytest.approx(better.p, abs=0.04)
        assert rows[-1].better_than_first > 0.75

    def test_the_first_day_is_that_of_the_area(self, cast):
        ana = unit_of(cast.ana)
        publish_rows(cast, {ana: {"L2": (20, 5)}})
        publish_rows(cast, {ana: {"L2": (20, 5), "F1": (20, 10)}}, day=FIRST + timedelta(days=7))
        full_fit(club=cast.club)
        feet = Score.objects.filter(area__code="feet", series="now")
        assert [(row.day, row.n, row.better_than_first) for row in feet] == [
            (FIRST + timedelta(days=7), 20, None)
        ]

    def test_pairs_have_scores_of_their_own(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        publish_rows(cast, {pair: {"N1": (12, 6), "N2": (12, 6)}, unit_of(cast.ana): {"L2": (10, 5)}})
        full_fit(club=cast.club)
        assert set(Score.objects.values_list("unit__kind", "area__code")) == {
            ("pair", "net"),
            ("player", "lob"),
        }

    def test_fits_that_nothing_refers_to_are_cleared_away(self, cast):
        publish_many(cast, days=2)
        first = full_fit(club=cast.club)
        second, third = full_fit(club=cast.club), full_fit(club=cast.club)
        # The first told both days then; the second told nothing that still stands.
        assert set(SharedFit.objects.values_list("pk", flat=True)) == {first.pk, third.pk}
        assert second.pk not in {first.pk, third.pk}


class TestTwice:
    def test_scoring_twice_gives_the_same(self, cast):
        publish_many(cast)
        full_fit(club=cast.club)
        once = values(table()) | values(table("then"))
        full_fit(club=cast.club)
        again = values(table()) | values(table("then"))
        assert again.keys() == once.keys()
        for key, row in once.items():
            assert again[key] == pytest.approx(row, abs=1e-9), key

    def test_rescoring_twice_gives_the_same_to_the_last_bit(self, cast):
        publish_many(cast)
        full_fit(club=cast.club)
        units = [unit_of(cast.ana), unit_of(cast.dan)]
        rescore_units(club=cast.club, units=units)
        once = values(table())
        assert rescore_units(club=cast.club, units=units) == 2 * 3 * 4
        assert values(table()) == once


class TestTwoPaths:
    def test_equal_shared_effects_give_the_same_scores(self, cast):
        """METHODS section 2: the same posterior on both paths, to 1e-6."""
        publish_many(cast)
        full_fit(club=cast.club)
        whole = table()
        rescore_units(club=cast.club, units=Unit.objects.filter(club=cast.club))
        parts = table()
        assert {row.pk for row in whole.values()}.isdisjoint(row.pk for row in parts.values())
        assert far(whole, parts) < 1e-6
        for key in whole:
            assert parts[key].better_than_first == pytest.approx(whole[key].better_than_first, abs=0.01)

    def test_one_unit_alone_gives_what_all_together_give(self, cast):
        publish_many(cast)
        full_fit(club=cast.club)
        before = table()
        rescore_units(club=cast.club, units=[unit_of(cast.dan)])
        assert far(before, table()) < 1e-6

    def test_without_a_fit_the_club_is_fitted(self, cast):
        publish_many(cast, days=2)
        assert rescore_units(club=cast.club, units=[unit_of(cast.ana)]) == 3 * 2
        assert SharedFit.objects.count() == 1
        assert set(Score.objects.values_list("unit__first__given_name", flat=True)) == {"Ana", "Cleo", "Dan"}

    def test_shared_effects_are_held(self, cast):
        publish_many(cast)
        fit = full_fit(club=cast.club)
        others = table(unit=unit_of(cast.dan))
        publish_rows(cast, {unit_of(cast.ana): dict.fromkeys(CODES, (30, 30))}, day=date(2026, 11, 1))
        rescore_units(club=cast.club, units=[unit_of(cast.ana)])
        assert values(table(unit=unit_of(cast.dan))) == values(others)
        assert max(key[2] for key in table(unit=unit_of(cast.ana))) == date(2026, 11, 1)
        assert {row.fit_id for row in table().values()} == {fit.pk}
        assert SharedFit.objects.count() == 1

    def test_units_of_other_clubs_are_left_alone(self, cast):
        publish_many(cast, days=2)
        full_fit(club=cast.club)
        assert rescore_units(club=cast.club, units=[unit_of(cast.other_player), 10**9]) == 0
        assert len(table()) == 3 * 3 * 2


class TestThen:
    def test_told_once_and_never_changed(self, cast):
        publish_many(cast, days=2)
        full_fit(club=cast.club)
        told = {
            key: (row.pk, *value)
            for (key, row), value in zip(table("then").items(), values(table("then")).values(), strict=True)
        }
        publish_rows(cast, {unit_of(cast.ana): dict.fromkeys(CODES, (40, 40))}, day=date(2026, 11, 1))
        rescore_units(club=cast.club, units=[unit_of(cast.ana)])
        full_fit(club=cast.club)
        after = table("then")
        for key, row in told.items():
            assert (after[key].pk, *values(after)[key]) == row
        assert {key[2] for key in after.keys() - told.keys()} == {date(2026, 11, 1)}

    def test_a_correction_changes_what_is_seen_now_not_what_was_told(self, cast):
        ana = unit_of(cast.ana)
        publish_many(cast, days=3)
        full_fit(club=cast.club)
        told, now = values(table("then")), values(table())
        old = Cover.objects.get(match__played_on=FIRST, unit=ana, current=True)
        Cover.objects.filter(pk=old.pk).update(current=False)
        publish_rows(cast, {ana: dict.fromkeys(CODES, (10, 10))}, seed=2)
        rescore_units(club=cast.club, units=[ana])
        assert values(table("then")) == told
        assert values(table()) != now

    def test_a_day_knows_only_what_was_before_it(self, cast):
        publish_many(cast)
        fit = full_fit(club=cast.club)
        expected = scoring.read_tallies(club=cast.club).fit(shared=fit.shared).scores(kind="filtered")
        stored = table("then")
        for unit, day, area, score, low, high, n in zip(*expected.values(), strict=True):
            row = stored[unit, area, date.fromordinal(day)]
            assert (row.score, row.low, row.high, row.n) == pytest.approx((score, low, high, n), abs=1e-6)
        ana = unit_of(cast.ana).pk
        early = [key for key in stored if key[0] == ana and key[2] == FIRST]
        assert any(stored[key].score != pytest.approx(table()[key].score, abs=0.5) for key in early)

    def test_then_knows_its_own_chance_of_being_better(self, cast):
        publish_many(cast)
        full_fit(club=cast.club)
        rows = list(Score.objects.filter(unit=unit_of(cast.ana), area__code="lob", series="then"))
        assert [row.better_than_first is None for row in rows] == [True, False, False, False]
        assert all(0 <= row.better_than_first <= 1 for row in rows[1:])

    def test_a_match_that_is_published_late_is_told_when_it_is(self, cast):
        ana = unit_of(cast.ana)
        publish_rows(cast, {ana: dict.fromkeys(CODES, 0.5)}, day=date(2026, 10, 1))
        full_fit(club=cast.club)
        later = values(table("then"))
        publish_rows(cast, {ana: dict.fromkeys(CODES, 0.9)})
        rescore_units(club=cast.club, units=[ana])
        then = values(table("then"))
        assert {key[2] for key in then} == {FIRST, date(2026, 10, 1)}
        assert {key: then[key] for key in later} == later

    def test_an_area_that_a_later_version_adds_to_a_day_is_told_beside_what_was(self, cast):
        ana = unit_of(cast.ana)
        old = publish_rows(cast, {ana: {"L2": (20, 5)}})
        full_fit(club=cast.club)
        told = values(table("then"))
        Cover.objects.filter(analysis=old).update(current=False)
        publish_rows(cast, {ana: {"L2": (20, 20), "F1": (20, 10)}}, seed=2)
        rescore_units(club=cast.club, units=[ana])
        then = values(table("then"))
        assert {key: then[key] for key in told} == told
        assert {row.area.code: row.n for row in table("then").values()} == {"lob": 20, "feet": 20}

    def test_withdrawn_leaves_now_and_stays_told(self, cast):
        publish_rows(cast, {unit_of(cast.ana): {"L2": (20, 5)}})
        full_fit(club=cast.club)
        Cover.objects.update(current=False)
        assert rescore_units(club=cast.club, units=[unit_of(cast.ana)]) == 0
        assert not table()
        assert len(table("then")) == 1


class TestSwitchOver:
    def test_what_was_published_during_the_fit_is_in_it(self, cast):
        publish_many(cast, days=2)
        full_fit(club=cast.club)
        prepared = prepare_full_fit(club=cast.club)
        ana = unit_of(cast.ana)
        publish_rows(cast, {ana: dict.fromkeys(CODES, (20, 20))}, day=date(2026, 11, 1))
        rescore_units(club=cast.club, units=[ana])
        fit = switch_over(prepared)
        row = table(unit=ana, area__code="lob")[ana.pk, cast.club.areas.get(code="lob").pk, date(2026, 11, 1)]
        assert (row.n, row.fit_id) == (20 + 20 + 40, fit.pk)
        assert fit.highest_tally < Tally.objects.order_by("-pk").first().pk
        assert {row.fit_id for row in table().values()} == {fit.pk}

    def test_what_was_withdrawn_during_the_fit_is_not_in_it(self, cast):
        analyses = publish_many(cast, days=2)
        prepared = prepare_full_fit(club=cast.club)
        Cover.objects.filter(analysis=analyses[1], unit=unit_of(cast.ana)).update(current=False)
        switch_over(prepared)
        assert {key[2] for key in table(unit=unit_of(cast.ana))} == {FIRST}
        assert {key[2] for key in table(unit=unit_of(cast.dan))} == {FIRST, FIRST + timedelta(days=7)}

    def test_an_error_in_it_leaves_the_old_scores(self, cast, monkeypatch):
        publish_many(cast, days=2)
        full_fit(club=cast.club)
        before = values(table())
        prepared = prepare_full_fit(club=cast.club)
        publish_rows(cast, {unit_of(cast.ana): {"L2": (9, 9)}}, day=date(2026, 11, 1))

        def fail(*args):
            raise RuntimeError("in the middle")

        monkeypatch.setattr(scoring, "_rescore", fail)
        with pytest.raises(RuntimeError):
            switch_over(prepared)
        assert values(table()) == before
        assert SharedFit.objects.count() == 1


class TestAnchor:
    NOW = datetime(2026, 11, 20, tzinfo=UTC)

    def many(self, cast, analyst, first, seed):
        for number in range(3):
            shares = {
                unit_of(player): dict.fromkeys(CODES, 0.5) for player in (cast.ana, cast.cleo, cast.dan)
            }
            day = first + timedelta(days=number)
            publish_rows(cast, shares, day=day, seen=45, analyst=analyst, seed=seed)

    def anchors(self, fit):
        shared = fit.shared
        return {pk for pk, weight in zip(shared["analysts"], shared["anchor"], strict=True) if weight}

    def test_who_joins_in_the_season_does_not_move_the_measure(self, cast):
        self.many(cast, cast.assistant, FIRST, 1)
        first = full_fit(club=cast.club, now=self.NOW)
        assert first.shared["n"] >= scoring.ANCHOR_LEAST
        self.many(cast, cast.head_coach, FIRST + timedelta(days=30), 2)
        second = full_fit(club=cast.club, now=self.NOW + timedelta(days=40))
        aldo, hana = (make.make_analyst(cast.club, person).pk for person in (cast.assistant, cast.head_coach))
        assert self.anchors(first) == self.anchors(second) == {aldo}
        assert second.shared["analysts"] == sorted((aldo, hana))
        next_season = full_fit(club=cast.club, now=datetime(2027, 9, 2, tzinfo=UTC))
        assert self.anchors(next_season) == {aldo, hana}

    def test_a_first_fit_on_one_match_is_no_measure(self, cast):
        publish_many(cast, days=1)
        first = full_fit(club=cast.club, now=self.NOW)
        publish_many(cast, days=1, analyst=cast.head_coach, seed=2)
        second = full_fit(club=cast.club, now=self.NOW)
        assert len(self.anchors(first)) == 1
        assert len(self.anchors(second)) == 2


class TestWhenItIsDue:
    NOW = datetime(2026, 11, 20, tzinfo=UTC)

    def test_not_without_data_and_at_once_with_the_first(self, cast):
        assert not full_fit_due(cast.club)
        publish_many(cast, days=1)
        assert full_fit_due(cast.club)

    def test_once_a_day_or_when_the_data_have_doubled(self, cast):
        publish_many(cast, days=1)
        full_fit(club=cast.club, now=self.NOW)
        assert not full_fit_due(cast.club, self.NOW + timedelta(hours=19))
        assert full_fit_due(cast.club, self.NOW + timedelta(hours=21))
        publish_rows(cast, {unit_of(cast.ana): {"L2": (100, 50)}}, day=date(2026, 10, 1))
        assert not full_fit_due(cast.club, self.NOW)
        publish_rows(cast, {unit_of(cast.ana): {"L2": (100, 50)}}, day=date(2026, 10, 2))
        assert full_fit_due(cast.club, self.NOW)


class TestCost:
    def test_as_many_queries_for_forty_units_as_for_four(self, cast):
        players = [make.make_player(cast.club, f"P{n}") for n in range(40)]
        units = [unit_of(player) for player in players]
        publish_rows(cast, {unit: {"L2": 0.5} for unit in units})
        full_fit(club=cast.club)
        publish_rows(cast, {unit: {"L2": 0.5} for unit in units}, day=FIRST + timedelta(days=7))
        needed = []
        for some in (units[:4], units[4:]):
            with CaptureQueriesContext(connection) as caught:
                assert rescore_units(club=cast.club, units=some) == 2 * len(some)
            needed.append(len(caught))
        assert needed[0] == needed[1] <= 12
        assert Score.objects.filter(series="then").count() == 2 * 40

    def test_days_are_told_alike_in_one_go_and_in_many(self, cast, monkeypatch):
        publish_many(cast)
        full_fit(club=cast.club)
        once = values(table("then"))
        Score.objects.all().delete()
        monkeypatch.setattr(scoring, "DAYS_AT_ONCE", 3)
        rescore_units(club=cast.club, units=Unit.objects.filter(club=cast.club))
        many = values(table("then"))
        assert many.keys() == once.keys()
        for key, row in once.items():
            assert many[key][:4] == pytest.approx(row[:4], abs=1e-6), key
