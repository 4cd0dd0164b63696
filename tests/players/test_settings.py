"""What a club decides for itself: refused in words, whole or not at all, and said whom it concerns."""

import re
from datetime import date, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.access import Role
from clubcoach.models import AuditEvent, Club
from players import services
from players.lists import current_list, default_data, install_check_list
from players.models import Area, CheckListVersion, CheckWording
from players.services.settings import age_effect
from tests import factories as make

pytestmark = pytest.mark.django_db


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


def text(answer):
    return answer.content.decode()


def main(answer):
    return text(answer).split("<main")[1].split("</main>")[0]


def settings_of(club, **more):
    return {
        "name": club.name,
        "time_zone": club.time_zone,
        "deuce": club.deuce,
        "feet_rule": club.feet_rule,
        "own_consent_age": club.own_consent_age,
        "majority_age": club.majority_age,
        "welfare_contact": club.welfare_contact,
        "film_months": club.film_months,
        **more,
    }


class TestEditClub:
    def test_what_differs_is_saved_and_named_in_the_trail(self, cast):
        services.edit_club(by=cast.manager, club=cast.club, name=" New  name ", deuce="star", majority_age=18)
        cast.club.refresh_from_db()
        assert (cast.club.name, cast.club.deuce) == ("New name", "star")
        assert AuditEvent.objects.get(action="club.changed").fields == ["deuce", "name"]

    @pytest.mark.parametrize(
        ("fields", "where"),
        [
            ({"time_zone": "Europe/Nowhere"}, "time_zone"),
            ({"time_zone": ""}, "time_zone"),
            ({"name": "  "}, "name"),
            ({"deuce": "silver"}, "deuce"),
            ({"feet_rule": "none"}, "feet_rule"),
            ({"own_consent_age": 12}, "own_consent_age"),
            ({"own_consent_age": 19, "majority_age": 21}, "own_consent_age"),
            ({"own_consent_age": 18, "majority_age": 17}, "own_consent_age"),
            ({"majority_age": 22}, "majority_age"),
            ({"welfare_contact": "x" * 201}, "welfare_contact"),
            ({"film_months": 0}, "film_months"),
            ({"film_months": 61}, "film_months"),
            ({"language": "xx"}, "language"),
        ],
    )
    def test_what_cannot_be_leaves_everything_as_it_was(self, cast, fields, where):
        with pytest.raises(ValidationError) as refused:
            services.edit_club(by=cast.head_coach, club=cast.club, **{"name": "New", **fields})
        assert list(refused.value.message_dict) == [where]
        before = cast.club.name
        cast.club.refresh_from_db()
        assert cast.club.name == before
        assert not AuditEvent.objects.exists()

    @pytest.mark.parametrize("who", ["assistant", "student", "guardian", "stranger"])
    def test_whose_it_is_not(self, cast, who):
        with pytest.raises(PermissionDenied):
            services.edit_club(by=getattr(cast, who), club=cast.club, name="Mine")

    def test_the_address_is_no_setting(self, cast):
        with pytest.raises(TypeError):
            services.edit_club(by=cast.head_coach, club=cast.club, slug="other")


class TestAges:
    def test_whom_new_ages_concern(self, cast):
        today = cast.club.today()
        for years in (15, 16, 17, 17):
            make.make_player(cast.club, born_on=date(today.year - years - 1, 12, 31))
        ages = sorted(
            player.age_on(today) for player in cast.club.players.filter(active=True, born_on__isnull=False)
        )
        effect = age_effect(cast.club, own_consent_age=18, majority_age=18)
        assert effect.need_guardian == sum(16 <= age < 18 for age in ages)
        assert effect.need_guardian >= 1
        assert (effect.decide_alone, effect.become_minors, effect.come_of_age) == (0, 0, 0)
        other = age_effect(cast.club, own_consent_age=13, majority_age=16)
        assert other.decide_alone == sum(13 <= age < 16 for age in ages)
        assert other.come_of_age == sum(16 <= age < 18 for age in ages)
        assert age_effect(cast.club, own_consent_age=16, majority_age=21).become_minors == 0
        assert not age_effect(cast.club, own_consent_age=16, majority_age=18).anybody

    def test_who_left_and_who_has_no_date_of_birth_is_not_counted(self, cast):
        born = cast.club.today() - timedelta(days=17 * 365.25)
        make.make_player(cast.club, born_on=born, active=False)
        make.make_player(cast.club, born_on=None)
        assert age_effect(cast.club, own_consent_age=18, majority_age=18).need_guardian == 0
        make.make_player(cast.club, born_on=born)
        assert age_effect(cast.club, own_consent_age=18, majority_age=18).need_guardian == 1


class TestClubPage:
    def test_for_head_coach_and_manager(self, cast):
        for who, lists in (("head_coach", True), ("manager", False)):
            page = main(cast.client(getattr(cast, who)).get(url("club_settings")))
            assert cast.club.name in page
            assert url("levels") in page
            assert (url("check_list") in page) is lists
        for who, status in (("assistant", 403), ("student", 403), ("guardian", 403), ("stranger", 404)):
            assert cast.client(getattr(cast, who)).get(url("club_settings")).status_code == status

    def test_saving_and_the_trail(self, cast):
        answer = cast.client(cast.manager).post(
            url("club_settings"),
            settings_of(cast.club, time_zone="America/Bogota", deuce="golden", feet_rule="one"),
        )
        assert answer.status_code == 302
        club = Club.objects.get(slug="seaside")
        assert (club.time_zone, club.deuce, club.feet_rule) == ("America/Bogota", "golden", "one")
        assert AuditEvent.objects.get(action="club.changed").actor == cast.manager

    def test_zones_stand_by_region_and_a_rare_one_of_the_club_is_there(self, cast):
        Club.objects.filter(pk=cast.club.pk).update(time_zone="Etc/GMT+5")
        page = main(cast.client(cast.manager).get(url("club_settings")))
        assert '<optgroup label="Europe">' in page
        assert '<option value="Etc/GMT+5" selected>' in page
        assert '<option value="America/Argentina/Buenos_Aires">Argentina, Buenos Aires</option>' in page

    def test_an_empty_contact_is_named_as_a_gap(self, cast):
        client = cast.client(cast.head_coach)
        assert "No welfare contact is named yet" not in main(client.get(url("club_settings")))
        client.post(url("club_settings"), settings_of(cast.club, welfare_contact=""))
        assert "No welfare contact is named yet" in main(client.get(url("club_settings")))

    def test_mistakes_keep_what_was_typed(self, cast):
        answer = cast.client(cast.head_coach).post(
            url("club_settings"),
            settings_of(cast.club, name="Typed name", own_consent_age=18, majority_age=17),
        )
        page = main(answer)
        assert answer.status_code == 422
        assert "Typed name" in page
        assert "raise the age of majority" in page
        assert Club.objects.get(slug="seaside").name != "Typed name"

    def test_other_ages_are_asked_about_before_they_are_saved(self, cast):
        make.make_player(cast.club, born_on=cast.club.today() - timedelta(days=17 * 365.25))
        client = cast.client(cast.head_coach)
        typed = settings_of(cast.club, own_consent_age=18)
        answer = client.post(url("club_settings"), typed)
        assert answer.status_code == 422
        assert "1 player needs a guardian&#x27;s consent too from now on" in main(answer)
        assert "Save all the same" in main(answer)
        assert Club.objects.get(slug="seaside").own_consent_age == 16
        seen = re.search(r'name="ages_seen" value="([^"]+)"', main(answer))[1]
        other = client.post(url("club_settings"), typed | {"own_consent_age": 17, "ages_seen": seen})
        assert other.status_code == 302, "for this age it concerns nobody"
        done = client.post(url("club_settings"), typed | {"ages_seen": seen}, follow=True)
        assert Club.objects.get(slug="seaside").own_consent_age == 18
        assert "1 player needs a guardian&#x27;s consent too from now on" in text(done)

    def test_ages_that_concern_nobody_are_saved_at_once(self, cast):
        answer = cast.client(cast.head_coach).post(
            url("club_settings"), settings_of(cast.club, majority_age=19)
        )
        assert answer.status_code == 302

    def test_as_many_queries_for_few_players_as_for_many(self, cast):
        client = cast.client(cast.head_coach)
        typed = settings_of(cast.club, own_consent_age=14)

        def count():
            with CaptureQueriesContext(connection) as seen:
                client.post(url("club_settings"), typed)
            return len(seen)

        make.make_player(cast.club, born_on=cast.club.today() - timedelta(days=15 * 365.25))
        few = count()
        for _n in range(40):
            make.make_player(cast.club, born_on=cast.club.today() - timedelta(days=15 * 365.25))
        assert count() == few


@pytest.fixture
def listed(cast):
    """The first club with the whole standard list in rows."""
    CheckListVersion.objects.filter(club=cast.club).delete()
    install_check_list(by=cast.head_coach, club=cast.club, data=default_data("check_list"))
    return cast


def now_on(data):
    return {
        "areas_on": [row["code"] for row in data["areas"] if row["on_by_default"]],
        "checks_on": [row["code"] for row in data["checks"] if row["on_by_default"]],
    }


def edit(cast, bounds=None, by=None, **more):
    data = current_list(cast.club).data
    return services.edit_check_list(
        by=by or cast.head_coach, club=cast.club, **{**now_on(data), "bounds": bounds or {}, **more}
    )


class TestEditCheckList:
    def test_a_bound_is_a_new_version_with_its_sentences_and_the_old_one_stays(self, listed):
        old = current_list(listed.club)
        version = edit(listed, {"N1": {"depth_m": 1.25}})
        assert version.number == old.number + 1
        met = dict(
            CheckWording.objects.filter(check_identity__code="N1").values_list("version__number", "met")
        )
        assert "1.5 m" in met[old.number]
        assert "1.25 m" in met[version.number]
        old.refresh_from_db()
        assert old.data == default_data("check_list")

    def test_nothing_different_is_no_new_version(self, listed):
        before = CheckListVersion.objects.count(), AuditEvent.objects.count()
        edit(listed, {"N1": {"depth_m": 1.5}})
        assert (CheckListVersion.objects.count(), AuditEvent.objects.count()) == before

    def test_areas_are_in_use_as_they_were_switched(self, listed):
        on = now_on(current_list(listed.club).data)["areas_on"]
        edit(listed, areas_on=[*(code for code in on if code != "lob"), "glass"])
        used = set(Area.objects.filter(club=listed.club, on=True).values_list("code", flat=True))
        assert used == {"feet", "bandeja", "serve", "net", "glass"}

    def test_a_switch_set_past_the_list_is_put_right(self, listed):
        Area.objects.filter(club=listed.club, code="glass").update(on=True)
        Area.objects.filter(club=listed.club, code="lob").update(on=False)
        edit(listed)
        on = dict(Area.objects.filter(club=listed.club).values_list("code", "on"))
        assert (on["glass"], on["lob"]) == (False, True)

    def test_a_check_that_comes_back_is_asked_where_it_was(self, listed):
        start = current_list(listed.club).data
        checks = now_on(start)["checks_on"]
        edit(listed, checks_on=[code for code in checks if code != "L2"])
        edit(listed, {"N1": {"depth_m": 1.25}})
        edit(listed, checks_on=checks)
        assert edit(listed, {"N1": {"depth_m": 1.5}}).data == start

    @pytest.mark.parametrize(
        ("more", "where", "words"),
        [
            ({"bounds": {"F1": {"within_s": 0}}}, "F1.within_s", "out of range"),
            ({"bounds": {"L6": {"line_m": 5}}}, "L6.line_m", "service line"),
            ({"bounds": {"F1": {"soon_s": 1}}}, "F1.soon_s", "no such bound"),
            ({"checks_on": ["L1", "L4"], "areas_on": ["lob"]}, "lob", "how it was played"),
            ({"areas_on": ["smash"]}, "smash", "no such area"),
            (
                {"checks_on": ["F1", "F2", "F3", "F4", "F5"], "areas_on": []},
                "feet",
                "5 checks would be asked on one situation (F1, F2, F3, F4, F5)",
            ),
        ],
    )
    def test_what_cannot_be_is_told_where_and_changes_nothing(self, listed, more, where, words):
        with pytest.raises(ValidationError) as refused:
            edit(listed, **more)
        assert words in refused.value.message_dict[where][0]
        assert CheckListVersion.objects.filter(club=listed.club).count() == 1
        assert Area.objects.filter(club=listed.club, on=True).count() == 5

    def test_who_looked_at_an_older_version_is_told(self, listed):
        edit(listed, {"N1": {"depth_m": 1.25}}, seen=1)
        with pytest.raises(ValidationError, match="saved version 2 of the list in the meantime"):
            edit(listed, {"N2": {"gap_m": 4}}, seen=1)

    @pytest.mark.parametrize("who", ["manager", "assistant", "student", "guardian", "stranger"])
    def test_only_the_head_coach(self, listed, who):
        with pytest.raises(PermissionDenied):
            edit(listed, by=getattr(listed, who))

    def test_a_club_without_a_list(self, cast):
        club = make.make_club("bare")
        head = make.make_member(club, Role.HEAD_COACH)
        with pytest.raises(ValidationError, match="no check list yet"):
            services.edit_check_list(by=head, club=club, areas_on=[], checks_on=[], bounds={})


def typed(answer):
    """What a browser would send back of the page's form."""
    return {
        name: value
        for name, field in answer.context["form"].fields.items()
        if (value := answer.context["form"][name].value()) not in (False, None) and field
    }


class TestCheckListPage:
    def test_shows_areas_checks_and_figures_with_their_units(self, listed):
        answer = listed.client(listed.head_coach).get(url("check_list"))
        page = main(answer)
        for words in ("Feet and ready", "Return of serve", "F1 Lands with the hit", "Within, in seconds"):
            assert words in page
        assert 'name="F1.within_s"' in page
        assert 'name="L6.line_m"' not in page
        assert "The service line, which stays where it is." in page
        for who, status in (("manager", 403), ("assistant", 403), ("student", 403), ("stranger", 404)):
            assert listed.client(getattr(listed, who)).get(url("check_list")).status_code == status

    def test_sent_back_as_it_is_changes_nothing(self, listed):
        client = listed.client(listed.head_coach)
        answer = client.post(url("check_list"), typed(client.get(url("check_list"))), follow=True)
        assert "Nothing was different; version 1 stays." in text(answer)

    def test_a_figure_saved_is_told_in_the_list_of_versions(self, listed):
        client = listed.client(listed.head_coach)
        form = typed(client.get(url("check_list"))) | {"N1.depth_m": "1.25", "area-glass": "on"}
        form.pop("check-F1")
        page = main(client.post(url("check_list"), form, follow=True))
        assert "Version 2, " + listed.head_coach.name in page
        assert "N1 Level: depth is 1.25 m, was 1.5 m" in page
        assert "Off the glass: switched on" in page
        assert "F1 Lands with the hit: switched off" in page
        assert "to within 1.25 m" in page
        assert "The first version." in page

    @pytest.mark.parametrize(
        ("name", "value", "words"),
        [
            ("F1.within_s", "0", "Between 0.01 and 5."),
            ("F1.within_s", "", "required"),
            ("N1.depth_m", "11", "Between 0.01 and 10."),
            ("N1.depth_m", "1.234", "too fine"),
            ("N1.depth_m", "one", "Enter a number"),
            ("check-F3", "on", "switch off all but 4 of them"),
        ],
    )
    def test_what_is_wrong_is_told_at_its_place_and_the_rest_is_kept(self, listed, name, value, words):
        client = listed.client(listed.head_coach)
        form = typed(client.get(url("check_list"))) | {"N2.gap_m": "4.25", name: value}
        answer = client.post(url("check_list"), form)
        assert answer.status_code == 422
        assert words in main(answer)
        assert 'value="4.25"' in main(answer)
        assert CheckListVersion.objects.filter(club=listed.club).count() == 1

    def test_two_at_once_the_second_is_told(self, listed):
        client = listed.client(listed.head_coach)
        form = typed(client.get(url("check_list")))
        edit(listed, {"N1": {"depth_m": 1.25}})
        answer = client.post(url("check_list"), form | {"N2.gap_m": "4"})
        assert answer.status_code == 422
        assert "in the meantime" in main(answer)

    def test_what_is_being_worked_on_keeps_its_version_and_the_page_says_so(self, listed):
        match = make.make_match(listed.club, [listed.ana, listed.dan, None, None])
        unit = listed.club.units.get(first=listed.ana, kind="player")
        for state in ("in_progress", "requested", "published", "cancelled"):
            more = {"published_at": "2026-09-02T10:00:00Z"} if state == "published" else {}
            make.make_analysis(match, analyst=listed.assistant, units=[unit], areas=[], state=state, **more)
        client = listed.client(listed.head_coach)
        edit(listed, {"N1": {"depth_m": 1.25}})
        page = main(client.get(url("check_list")))
        assert "2 analyses are being worked on with version 1; they keep it." in page
        assert set(match.analyses.values_list("check_list__number", flat=True)) == {1}

    def test_a_club_without_a_list_begins_with_the_standard_one(self, cast):
        club = make.make_club("bare")
        head = make.make_member(club, Role.HEAD_COACH)
        client = cast.client(head)
        assert "The club has no check list yet" in main(client.get(url("check_list", slug="bare")))
        client.post(url("check_list", slug="bare"))
        assert current_list(club).number == 1

    def test_as_many_queries_for_two_versions_as_for_twenty(self, listed):
        client = listed.client(listed.head_coach)

        def count():
            with CaptureQueriesContext(connection) as seen:
                client.get(url("check_list"))
            return len(seen)

        edit(listed, {"N1": {"depth_m": 1.01}})
        few = count()
        for n in range(2, 20):
            edit(listed, {"N1": {"depth_m": 1 + n / 100}})
        # Past the first page one more query finds the version before the page's last.
        assert count() <= few + 1
        last = main(client.get(url("check_list") + "?page=2"))
        assert "The first version." in last
