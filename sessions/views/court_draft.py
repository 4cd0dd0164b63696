"""What stands in the form of a court view: as it is kept, or as somebody has just sent it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from clubcoach.compute.court import LANDMARKS
from sessions import court_reading, court_words
from sessions.models import CourtView, Film
from sessions.services.court import check_picture, clean_landmarks, first_picture, fitted

NEW = "new"


def exact(value: float) -> str:
    """A number as fields and addresses carry it: to the thousandth, the same on every machine."""
    return f"{value:.3f}".rstrip("0").rstrip(".")


@dataclass
class Draft:
    """The form's texts stay as they were typed; numbers are read from them once."""

    film: Film
    view: CourtView | None = None
    from_s: float = 0.0
    at_s: float = 0.0
    width: int = 0
    height: int = 0
    texts: dict[str, tuple[str, str]] = field(default_factory=dict)
    places: dict[str, list[float]] = field(default_factory=dict)
    looked: bool = False
    chosen: str = ""
    # As it lies in the database: what is clicked can be measured.
    kept: bool = False
    problems: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, film: Film, sent: str, at: str = "") -> Draft:
        """The view that begins at the moment in the address, else the first one, else an empty form.

        ``at`` is the moment of the picture for an empty form, one of the film's strip.
        """
        views = list(film.court_views.all())
        wanted = [view for view in views if exact(view.from_s) == sent] or views[:1]
        if sent == NEW or not wanted:
            size = (film.width or 0, film.height or 0)
            at_s = next((moment for moment in film.strip if exact(moment) == at), first_picture(film))
            from_s = at_s if views else 0.0
            return cls(film, None, from_s, at_s, *size, chosen=next(iter(LANDMARKS)))
        view = wanted[0]
        texts = {name: (exact(u), exact(v)) for name, (u, v) in view.landmarks.items()}
        draft = cls(film, view, view.from_s, view.at_s, view.width, view.height, texts)
        draft.places = dict(view.landmarks)
        draft.looked = view.looked_at is not None
        draft.kept = True
        draft.chosen = draft.next_open()
        return draft

    @classmethod
    def sent(cls, film: Film, post: Any) -> Draft:
        draft = cls(film, looked=bool(post.get("looked")), chosen=post.get("landmark", ""))
        for number, name in enumerate(LANDMARKS, 1):
            pair = (post.get(f"u_{number}", "").strip(), post.get(f"v_{number}", "").strip())
            if any(pair):
                draft.texts[name] = pair
        draft._click(post)
        for name, label in (("from_s", _("Holds from")), ("at_s", _("Moment of the picture"))):
            setattr(draft, name, draft._number(post.get(name, ""), label))
        for name, label in (("width", _("Width")), ("height", _("Height"))):
            value = draft._number(post.get(name, ""), label)
            setattr(draft, name, int(value) if value == int(value) else 0)
        draft.places = {
            name: [draft._number(text, court_words.landmark(name)) for text in pair]
            for name, pair in draft.texts.items()
        }
        draft.view = film.court_views.filter(from_s=draft.from_s).first()
        return draft

    def _click(self, post: Any) -> None:
        """A click on the picture without scripts: the browser sends where; the next landmark is then asked for."""
        u, v = post.get("spot.x", ""), post.get("spot.y", "")
        if u.isascii() and u.isdigit() and v.isascii() and v.isdigit() and self.chosen in LANDMARKS:
            # The middle of the pixel that was clicked.
            self.texts[self.chosen] = (f"{u[:5]}.5", f"{v[:5]}.5")
            self.chosen = self.next_open()

    def next_open(self) -> str:
        """The landmark that the form leads to: the next one on the plan that has no place yet."""
        names = list(LANDMARKS)
        start = names.index(self.chosen) if self.chosen in LANDMARKS else 0
        order = names[start:] + names[:start]
        return next((name for name in order if name not in self.texts), order[0])

    def _number(self, text: str, label: str) -> float:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not abs(value) < 1e6:
            self.problems.append(
                _("%(field)s: “%(text)s” is no number.") % {"field": label, "text": text[:20]}
            )
            return 0.0
        return value

    @property
    def from_text(self) -> str:
        return exact(self.from_s)

    @property
    def at_text(self) -> str:
        return exact(self.at_s)

    def values(self) -> dict[str, Any]:
        return {
            "from_s": self.from_s,
            "at_s": self.at_s,
            "width": self.width,
            "height": self.height,
            "landmarks": self.places,
        }

    def tell(self, error: ValidationError) -> None:
        self.problems += error.messages

    def result(self) -> dict[str, Any] | None:
        """What follows from the landmarks; what is wrong with them stands among the problems instead."""
        if self.problems or not self.places:
            return None
        try:
            check_picture(self.film, self.width, self.height)
            places = clean_landmarks(self.places)
            fit = fitted(places, self.width, self.height)
        except ValidationError as error:
            # Less than four is how everybody begins: the page says how many are missing, not that it is wrong.
            if len(self.places) >= 4:
                self.tell(error)
            return None
        return court_reading.told(fit, places, self.film)


def marks_of(draft: Draft, result: dict[str, Any] | None) -> list[dict[str, Any]]:
    """The rows of the list beside the plan, in its order."""
    off = {row["name"]: row for row in result["landmarks"]} if result else {}
    return [
        {
            "number": number,
            "name": name,
            "label": court_words.landmark(name),
            "where": court_words.where(name),
            "u": draft.texts.get(name, ("", ""))[0],
            "v": draft.texts.get(name, ("", ""))[1],
            "off": off.get(name, {}).get("words", ""),
            "chosen": name == draft.chosen,
        }
        for number, name in enumerate(LANDMARKS, 1)
    ]
