"""What every page relies on: rights, retention rules, settings that fail loudly, numerics without Django."""

import subprocess
import sys
from datetime import UTC, datetime

import pytest
from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.http import Http404
from django.test import override_settings
from rest_framework.response import Response
from rest_framework.test import force_authenticate
from rest_framework.views import APIView

from clubcoach import checks
from clubcoach.access import Can, Refusal, Role, Viewer, viewer_for
from clubcoach.audit import record
from clubcoach.models import AuditEvent, Club, Membership, User
from clubcoach.retention import Keep, kept_as
from players.models import FilmConsent, Player, Unit
from sessions.models import Cover, Rally, Tally
from tests import factories as make


def test_numerics_load_without_django():
    code = (
        "import importlib, pkgutil, sys, clubcoach.compute as c\n"
        "names = [m.name for m in pkgutil.iter_modules(c.__path__)]\n"
        "[importlib.import_module('clubcoach.compute.' + n) for n in names]\n"
        "assert len(names) > 5, names\n"
        "print(sorted(n for n in sys.modules if n.split('.')[0] in ('django', 'players', 'reports', 'celery')))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=settings.BASE_DIR)
    assert out.stdout.strip() == "[]", out.stdout + out.stderr


def test_the_package_itself_is_empty():
    assert (settings.BASE_DIR / "clubcoach" / "__init__.py").read_text() == ""


class TestRights:
    def test_every_role_is_somebody_here(self):
        for role in Role:
            assert Viewer(None, None, frozenset({role})).can(Can.BE_HERE)
            assert str(role.label)

    def test_rights_are_the_union_of_roles(self):
        both = Viewer(None, None, frozenset({Role.ASSISTANT, Role.STUDENT}))
        assert both.can(Can.CODE)
        assert both.can(Can.OWN_PADEL)
        assert not both.can(Can.REVIEW)

    def test_a_refusal_is_false_and_says_why(self):
        answer = Viewer(None, None, frozenset({Role.STUDENT})).can(Can.WATCH_FILM)
        assert isinstance(answer, Refusal)
        assert not answer
        assert "coaches" in str(answer.reason)
        with pytest.raises(PermissionDenied, match="coaches"):
            Viewer(None, None, frozenset({Role.STUDENT})).must(Can.WATCH_FILM)

    def test_students_and_guardians_reach_nobody_s_film_or_roster(self):
        for role in (Role.STUDENT, Role.GUARDIAN):
            for right in set(Can) - {Can.BE_HERE, Can.OWN_PADEL}:
                assert not Viewer(None, None, frozenset({role})).can(right), (role, right)

    def test_a_stranger_finds_no_club(self, cast):
        with pytest.raises(Http404):
            viewer_for(cast.stranger, "seaside")
        assert viewer_for(cast.two_clubs, "hilltop").roles == {Role.STUDENT}
        assert viewer_for(cast.two_clubs, "seaside").roles == {Role.ASSISTANT}

    def test_somebody_who_may_not_log_in_any_more_finds_no_club(self, cast):
        cast.assistant.is_active = False
        with pytest.raises(Http404):
            viewer_for(cast.assistant, "seaside")


class TestPlayersSeen:
    def seen(self, cast, user, slug="seaside"):
        return {player.given_name for player in Player.objects.seen_by(viewer_for(user, slug))}

    def test_each_sees_who_they_should(self, cast):
        everybody = {"Ana", "Ben", "Cleo", "Cleo junior", "Dan"}
        assert self.seen(cast, cast.head_coach) == everybody
        assert self.seen(cast, cast.assistant) == everybody
        assert self.seen(cast, cast.student) == {"Ana"}
        assert self.seen(cast, cast.guardian) == {"Ben"}
        assert self.seen(cast, cast.manager) == set()
        assert self.seen(cast, cast.two_clubs, "hilltop") == {"Otto"}

    def test_a_guardian_s_view_ends_at_the_age_of_majority(self, cast):
        cast.ben.born_on = cast.ben.born_on.replace(year=2000)
        cast.ben.save(update_fields=["born_on"])
        assert self.seen(cast, cast.guardian) == set()

    def test_a_student_role_that_ended_ends_the_view(self, cast):
        Membership.objects.filter(user=cast.student).update(role=Role.GUARDIAN)
        assert self.seen(cast, cast.student) == set()


class TestRetention:
    def test_every_field_has_a_rule(self):
        assert checks.every_field_is_kept_by_a_rule(None) == []

    def test_a_field_without_a_rule_is_an_error_with_a_hint(self, monkeypatch):
        monkeypatch.setattr(User, "kept", {name: rule for name, rule in User.kept.items() if name != "email"})
        (problem,) = checks.every_field_is_kept_by_a_rule(None)
        assert problem.id == "clubcoach.E001"
        assert "email" in problem.msg
        assert "kept_as" in problem.hint

    def test_a_rule_for_a_field_that_is_not_there_is_an_error(self, monkeypatch):
        monkeypatch.setattr(User, "kept", {**User.kept, "phone": Keep.PERSON})
        assert [problem.id for problem in checks.every_field_is_kept_by_a_rule(None)] == ["clubcoach.E002"]

    def test_two_rules_for_one_field_and_unknown_rules_are_refused(self):
        with pytest.raises(ValueError, match="two retention rules"):
            kept_as(club="name", person="name")
        with pytest.raises(ValueError, match="forever"):
            kept_as(forever="name")


class TestSettings:
    @pytest.mark.parametrize("address", ["club.example", "https://club.example/"])
    def test_a_site_address_that_links_would_break_is_an_error(self, address):
        with override_settings(SITE_URL=address):
            assert [problem.id for problem in checks.site_address_is_whole(None)] == ["clubcoach.E004"]


@pytest.mark.django_db
class TestPeopleAndConstraints:
    def test_addresses_differ_by_more_than_case(self):
        make.make_user(email="ana@example.org")
        with pytest.raises(IntegrityError), transaction.atomic():
            User.objects.create(email="ANA@example.org", given_name="Other")

    def test_a_zone_must_exist(self):
        with pytest.raises(ValidationError, match="no time zone"):
            Club(slug="x", name="X", time_zone="Mars/Base").full_clean()

    def test_the_day_is_the_club_s(self):
        late_evening = datetime(2026, 3, 1, 3, 30, tzinfo=UTC)
        assert Club(time_zone="America/Bogota").day_of(late_evening).isoformat() == "2026-02-28"
        assert Club(time_zone="Europe/Madrid").day_of(late_evening).isoformat() == "2026-03-01"

    def test_a_pair_is_one_whatever_the_order_and_never_one_player_twice(self, cast):
        pair = Unit.objects.pair_of(cast.dan, cast.ana)
        assert Unit.objects.pair_of(cast.ana, cast.dan) == pair
        with pytest.raises(ValidationError, match="two different players"):
            Unit.objects.pair_of(cast.ana, cast.ana)
        with pytest.raises(ValidationError, match="one club"):
            Unit.objects.pair_of(cast.ana, cast.other_player)
        with pytest.raises(IntegrityError), transaction.atomic():
            Unit.objects.create(club=cast.club, kind="pair", first=pair.second, second=pair.first)

    def test_every_player_is_a_unit(self, cast):
        assert Unit.objects.filter(first=cast.ana, kind="player").count() == 1

    def test_age_counts_birthdays(self, cast):
        assert cast.ben.age_on(cast.ben.born_on.replace(year=2032)) == 18
        assert not cast.ben.is_minor(cast.ben.born_on.replace(year=2032))
        assert cast.ben.is_minor(cast.ben.born_on.replace(year=2032, month=4))
        assert cast.ben.shown_name == "Ben"
        assert cast.ana.shown_name == cast.ana.name

    def test_one_current_count_per_match_and_unit(self, cast):
        match = make.make_match(cast.club, [cast.ana, None, None, None])
        unit = Unit.objects.get(first=cast.ana, kind="player")
        first = make.make_analysis(match, analyst=cast.assistant, units=[unit])
        second = make.make_analysis(match, analyst=cast.head_coach, units=[unit])
        Cover.objects.filter(analysis=first).update(current=True)
        with pytest.raises(IntegrityError), transaction.atomic():
            Cover.objects.filter(analysis=second).update(current=True)

    def test_impossible_rows_are_refused_by_the_database(self, cast):
        match = make.make_match(cast.club)
        with pytest.raises(IntegrityError), transaction.atomic():
            make.make_rally(match, start_s=10.0, end_s=9.0)
        with pytest.raises(IntegrityError), transaction.atomic():
            make.make_rally(match, server=5)
        assert not Rally.objects.exists()
        unit = Unit.objects.get(first=cast.ana, kind="player")
        analysis = make.make_analysis(match, analyst=cast.assistant, units=[unit])
        check = cast.check_list.wordings.first().check_identity
        with pytest.raises(IntegrityError), transaction.atomic():
            Tally.objects.create(
                analysis=analysis,
                unit=unit,
                day=match.played_on,
                check_identity=check,
                analyst=analysis.analyst,
                ball="normal",
                seen=3,
                met=4,
            )

    def test_consent_is_in_force_once(self, cast):
        make.consent(cast.ana)
        with pytest.raises(IntegrityError), transaction.atomic():
            make.consent(cast.ana)
        assert FilmConsent.objects.count() == 1

    def test_the_audit_trail_names_fields_and_no_values(self, cast):
        record(
            by=cast.head_coach,
            club=cast.club,
            action="player.changed",
            target=cast.ana,
            fields=["level", "hand"],
        )
        event = AuditEvent.objects.get()
        assert event.fields == ["hand", "level"]
        assert event.target_type == "players.player"
        assert event.target_id == str(cast.ana.pk)


class TestAnswers:
    @pytest.mark.parametrize("path", ["/c/seaside/people/", "/c/seaside/api/v1/players/", "/account/tokens/"])
    def test_pages_about_people_are_not_left_in_a_shared_browser(self, cast, path):
        answer = cast.client(cast.head_coach).get(path)
        assert answer.status_code == 200
        assert "no-store" in answer["Cache-Control"]
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Referrer-Policy"] == "same-origin"
        assert "camera=()" in answer["Permissions-Policy"]
        assert "default-src 'self'" in answer["Content-Security-Policy"]
        assert "unsafe" not in answer["Content-Security-Policy"]

    def test_an_interface_view_that_declares_nothing_is_closed(self, cast, rf):
        class Silent(APIView):
            def get(self, request, slug):
                return Response({})

        request = rf.get("/c/seaside/api/v1/silent/")
        force_authenticate(request, user=cast.head_coach)
        assert Silent.as_view()(request, slug="seaside").status_code == 403
        Silent.rights = {"GET": Can.SEE_ROSTER}
        assert Silent.as_view()(request, slug="seaside").status_code == 200
