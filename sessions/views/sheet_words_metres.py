"""What the sheet says of places on the floor: where to click, what that is in metres, and what follows from it."""

from __future__ import annotations

from django.utils.translation import gettext as _


def metres_words() -> dict[str, str]:
    return {**_asking(), **_measured(), **_tools()}


def _asking() -> dict[str, str]:
    return {
        "metres_ask_net": _("In metres, if it is close: click where the foot stands that decides it."),
        "metres_ask_theirs": _(
            "In metres, if it is close: click on the floor of the other half where it happens."
        ),
        "metres_ask_centre": _(
            "In metres, if it is close: click where the foot stands; of two players one foot of each."
        ),
        "metres_ask_along": _("In metres, if it is close: click on a foot of each of the two players."),
        "metres_ask_across": _("In metres, if it is close: click on a foot of each of the two players."),
        "metres_ask_step": _(
            "In metres, if it is close: click on the foot before, then let the film go on and click on the same foot"
            " after."
        ),
        "metres_ask_forward": _(
            "In metres, if it is close: click on the foot before, then let the film go on and click on the same foot"
            " after."
        ),
        "metres_no_court": _("Without a court placed in this film there are no lines and no metres here."),
        "metres_place_court": _("Place the court"),
        "metres_unseen": _("Nobody has looked yet whether the court's lines lie on the court in this film."),
    }


def _measured() -> dict[str, str]:
    return {
        "metres_net": _("{m} m from the net, give or take {sd}."),
        "metres_centre": _("{m} m from the central line, give or take {sd}."),
        "metres_along": _("{m} m apart along the court, give or take {sd}."),
        "metres_across": _("{m} m apart across the court, give or take {sd}."),
        "metres_step": _("The foot moved {m} m, give or take {sd}."),
        "metres_forward": _("{m} m towards the net, give or take {sd}."),
        "metres_back": _("{m} m away from the net, give or take {sd}."),
        "metres_met": _("Met, {n} in 100: the key {key_met} confirms."),
        "metres_missed": _("Missed, {n} in 100: the key {key_missed} confirms."),
        "metres_close": _("Too close to decide: mark it by eye."),
        "metres_wait": _("The metres come once this has reached the server."),
        "metres_one": _("One place is set, the other one is still to come."),
        "metres_nothing": _(
            "This place decides nothing here: is it the right half, and the same view of the court?"
        ),
    }


def _tools() -> dict[str, str]:
    return {
        "metres_frame": _(
            "Film, held: click a place on the floor, or move the cross with the arrow keys and press Enter."
        ),
        "metres_tools": _("Places on the floor"),
        "metres_place": _("Place a foot"),
        "metres_hand": _(
            "Arrow keys move the cross, with Shift faster. Enter sets the place, Escape leaves."
        ),
        "metres_here": _("Set it here"),
        "metres_out": _("Take the place out"),
        "metres_number_1": _("first place"),
        "metres_number_2": _("second place"),
        "metres_left": _("Cross to the left"),
        "metres_right": _("Cross to the right"),
        "metres_up": _("Cross up"),
        "metres_down": _("Cross down"),
        "metres_set": _("Place set."),
        "metres_cleared": _("Place taken out."),
    }
