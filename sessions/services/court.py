"""Court views: placed, copied from the same camera place, taken away; and the places where cameras stand."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import Can, viewer_of
from clubcoach.compute.court import LANDMARKS, CourtError, CourtFit
from clubcoach.formatting import clock
from clubcoach.models import Club, User
from sessions import court_reading, court_words
from sessions.models import CameraPlace, CourtView, Film
from sessions.services.rules import in_time

# A phone is moved a few times in a match; whoever sends more views than this does not place them by hand.
MOST_VIEWS = 50
# The sides of a picture are whole pixels, so that a smaller copy of a film is never exactly of its shape.
SAME_SHAPE = 0.01
SMALLEST, LARGEST = 2, 8192
# Pixels; what is farther from a picture was not clicked in it.
FARTHEST = 1e6


@transaction.atomic
def place_court(
    *,
    by: User,
    film: Film,
    from_s: float,
    at_s: float,
    width: int,
    height: int,
    landmarks: Any,
    looked: bool,
    now: datetime | None = None,
) -> CourtView:
    """Say where the court lies from a moment on; a view that begins there already is replaced.

    ``at_s`` is the moment of the picture that was clicked on, ``looked`` that somebody saw the court's lines drawn
    back into it and found them on the court.
    """
    moment = in_time(now)
    row = _locked(by, film)
    _check_times(row, from_s, at_s)
    from_s, at_s = round(from_s, 3), round(at_s, 3)
    check_picture(row, width, height)
    places = clean_landmarks(landmarks)
    fit = fitted(places, width, height)
    there = row.court_views.filter(from_s=from_s).first()
    if there is None and row.court_views.count() >= MOST_VIEWS:
        raise ValidationError(
            {"from_s": _("A film has at most %(most)d court views.") % {"most": MOST_VIEWS}}
        )
    view = there or CourtView(film=row, from_s=from_s)
    view.at_s, view.width, view.height, view.landmarks = at_s, width, height, places
    view.rms_px, view.rms_m = fit.rms_px, fit.rms_m
    view.copied_from, view.placed_by, view.placed_at = None, by, moment
    view.looked_by, view.looked_at = (by, moment) if looked else (None, None)
    view.save()
    audit.record(by=by, club=row.club, action="court.placed", target=view, fields=["landmarks"])
    return view


@transaction.atomic
def remove_court(*, by: User, film: Film, from_s: float) -> None:
    """Take one view away: the one before it then holds on."""
    row = _locked(by, film)
    view = row.court_views.filter(from_s=round(from_s, 3)).first()
    if view is None:
        raise ValidationError({"from_s": _("There is no court view that begins at this moment.")})
    audit.record(by=by, club=row.club, action="court.removed", target=view)
    view.delete()


@transaction.atomic
def copy_court(*, by: User, film: Film, now: datetime | None = None) -> CourtView:
    """Take over the landmarks of the last film from the same camera place; somebody has yet to look at them."""
    moment = in_time(now)
    row = _locked(by, film)
    if row.court_views.exists():
        raise ValidationError(_("This film has a court view already. Remove it before another is copied."))
    source = last_view_from(row)
    if source is None:
        raise ValidationError(_("No other film from this camera place has a court view yet."))
    width, height = row.width or 0, row.height or 0
    if not _same_shape(source.width, source.height, width, height):
        raise ValidationError(
            _(
                "The picture of that film is %(there)s pixels, that of this one %(here)s: another shape, so that the"
                " court lies elsewhere in it. Place the court anew."
            )
            % {"there": size_words(source.width, source.height), "here": size_words(width, height)}
        )
    places = {
        name: [round(u * width / source.width, 2), round(v * height / source.height, 2)]
        for name, (u, v) in clean_landmarks(source.landmarks).items()
    }
    fit = fitted(places, width, height)
    view = CourtView.objects.create(
        film=row,
        at_s=first_picture(row),
        width=width,
        height=height,
        landmarks=places,
        rms_px=fit.rms_px,
        rms_m=fit.rms_m,
        copied_from=source,
        placed_by=by,
        placed_at=moment,
    )
    audit.record(by=by, club=row.club, action="court.copied", target=view, fields=["landmarks"])
    return view


def last_view_from(film: Film) -> CourtView | None:
    """How the last other film from the film's camera place ended: the phone was not moved after that."""
    if film.camera_id is None:
        return None
    others = CourtView.objects.filter(film__camera=film.camera_id, film__club=film.club_id)
    return others.exclude(film=film).order_by("-film__uploaded_at", "-film_id", "-from_s").first()


@transaction.atomic
def save_camera(
    *, by: User, club: Club, name: str, words: str = "", place: CameraPlace | None = None
) -> CameraPlace:
    """A new place of a camera, or what an old one is called."""
    viewer_of(by, club).must(Can.EDIT_MATCHES)
    if place is not None and place.club_id != club.pk:
        raise ValidationError(_("This camera place belongs to another club."))
    row = place or CameraPlace(club=club, made_by=by)
    row.name, row.words = " ".join(name.split()), words.strip()
    row.full_clean()
    row.save()
    audit.record(by=by, club=club, action="camera.saved", target=row, fields=["name", "words"])
    return row


@transaction.atomic
def remove_camera(*, by: User, place: CameraPlace) -> None:
    """Films from there keep their court views, and no longer say from where they are."""
    viewer_of(by, place.club).must(Can.EDIT_MATCHES)
    audit.record(by=by, club=place.club, action="camera.removed", target=place)
    place.delete()


@transaction.atomic
def set_camera(*, by: User, film: Film, camera: CameraPlace | None) -> Film:
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    if camera is not None and camera.club_id != film.club_id:
        raise ValidationError({"camera": _("This camera place belongs to another club.")})
    film.camera = camera
    film.save(update_fields=["camera"])
    audit.record(by=by, club=film.club, action="film.camera", target=film, fields=["camera"])
    return film


def clean_landmarks(landmarks: Any) -> dict[str, list[float]]:
    """Names of the plan with two finite numbers each, in the plan's order; what is none is said by its name."""
    if not isinstance(landmarks, Mapping):
        raise ValidationError({"landmarks": _("Landmarks are names with two numbers of pixels each.")})
    for name in landmarks:
        if name not in LANDMARKS:
            raise ValidationError(
                {"landmarks": _("“%(name)s” is no landmark of the plan.") % {"name": str(name)[:60]}}
            )
    return {name: _pixels(name, landmarks[name]) for name in LANDMARKS if name in landmarks}


def _pixels(name: str, place: Any) -> list[float]:
    if (
        not isinstance(place, list | tuple)
        or len(place) != 2
        or not all(isinstance(part, int | float) and not isinstance(part, bool) for part in place)
        or not all(-FARTHEST <= part <= FARTHEST for part in place)
    ):
        raise ValidationError(
            {
                "landmarks": _("The place of the %(name)s is not two numbers of pixels.")
                % {"name": court_words.landmark(name)}
            }
        )
    return [round(float(part), 2) for part in place]


def fitted(places: Mapping[str, Any], width: int, height: int) -> CourtFit:
    """The court that fits the landmarks; what is wrong with them is said in words."""
    try:
        return court_reading.fit_of(places, width, height)
    except CourtError as error:
        raise ValidationError(
            {"landmarks": court_words.refusal(error, list(places))}, code=error.code
        ) from None


def check_picture(film: Film, width: Any, height: Any) -> None:
    """A picture whose size is possible and whose shape is the film's."""
    for name, side in (("width", width), ("height", height)):
        if not isinstance(side, int) or isinstance(side, bool) or not SMALLEST <= side <= LARGEST:
            raise ValidationError(
                {
                    name: _("A side of the picture is a whole number of pixels from %(least)d to %(most)d.")
                    % {"least": SMALLEST, "most": LARGEST}
                }
            )
    if film.width and film.height and not _same_shape(width, height, film.width, film.height):
        raise ValidationError(
            {
                "width": _(
                    "The picture is %(here)s pixels, the film's is %(there)s: another shape. Take the picture as the"
                    " film shows it, not cut and not turned."
                )
                % {"here": size_words(width, height), "there": size_words(film.width, film.height)}
            }
        )


def size_words(width: int, height: int) -> str:
    return f"{width} × {height}"


def first_picture(film: Film) -> float:
    """The moment of the poster, which is the picture that every page can show."""
    return float(film.strip[0]) if film.strip else 0.0


def may_be_placed(film: Film) -> str:
    """Why no court can be placed in the film, or nothing."""
    if film.state == Film.State.GONE:
        return _("This film has been deleted.")
    if film.state == Film.State.REFUSED:
        return _("This film could not be read, so there is no picture to place a court in.")
    if not film.duration_s:
        return _("This film is still being read. The court can be placed as soon as that is done.")
    return ""


def _locked(by: User, film: Film) -> Film:
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    # Two who place at once: the second waits, and then sees the view that is there.
    row = Film.objects.select_for_update(of=("self",)).select_related("club").get(pk=film.pk)
    if why := may_be_placed(row):
        raise ValidationError(why)
    return row


def _check_times(film: Film, from_s: Any, at_s: Any) -> None:
    end = film.duration_s or 0.0
    for name, value in (("from_s", from_s), ("at_s", at_s)):
        if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value <= end:
            raise ValidationError(
                {
                    name: _("The film lasts from 0:00 to %(end)s (%(seconds)s seconds).")
                    % {"end": clock(end), "seconds": f"{end:.1f}"}
                }
            )
    if at_s < from_s:
        raise ValidationError(
            {
                "at_s": _(
                    "The picture is from %(at)s, before the moment from which it is to hold (%(start)s)."
                )
                % {"at": clock(at_s), "start": clock(from_s)}
            }
        )


def _same_shape(width: int, height: int, other_width: int, other_height: int) -> bool:
    one, other = width * other_height, other_width * height
    return min(one, other) > 0 and abs(one - other) <= SAME_SHAPE * max(one, other)
