"""Every sentence that the sheet's scripts say, in the reader's language; values stand in braces."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from sessions.views.film_words import units
from sessions.views.sheet_words_lens import lens_words
from sessions.views.sheet_words_metres import metres_words
from sessions.views.sheet_words_rallies import rally_words
from sessions.views.sheet_words_store import store_words


def sheet_words() -> dict[str, Any]:
    return {
        **_table(),
        **_film(),
        **_row(),
        **_marks(),
        **_said(),
        **store_words(),
        **_draws(),
        **lens_words(),
        **metres_words(),
        **rally_words(),
    }


def _table() -> dict[str, str]:
    return {
        "caption": _("The rallies of the match, with the marks of each area"),
        "col_score": _("Score before"),
        "col_number": pgettext("column head", "No."),
        "col_time": _("Time"),
        "col_server": _("Server"),
        "col_place": _("Side, end"),
        "col_winner": _("Won by"),
        "rally": _("Rally"),
        "rally_n": _("Rally {n}"),
        "nobody": _("nobody"),
        "in_play": _("in play"),
        "covered": _("Covered until its checks are marked."),
        "uncover": _("Uncover"),
        "contradiction": _("Something does not fit: open the row to read it."),
        "near_is": _("{pair} near"),
        "side_left": pgettext("side of the court", "left"),
        "side_right": pgettext("side of the court", "right"),
        "done_area": _("done"),
        "not_done": _("not done"),
        "open_check": _("not marked yet"),
        "empty_write": _(
            "No rally yet. Run the film and press {key_start}, or “Rally starts here”, where the first one begins."
        ),
        "empty_read": _("No rally yet."),
        "stands": _("Now {score}"),
    }


def _film() -> dict[str, str]:
    return {
        "film": _("Film of the match"),
        "match_time": _("Match time"),
        "run": _("Run"),
        "hold": _("Hold"),
        "back": _("2 s back"),
        "on": _("2 s on"),
        "half_speed": _("Half speed"),
        "own_film": _("Open a film from this device (it stays here)"),
        "film_away": _("Open the film “{name}” from this device (it stays here)"),
        "film_away_why": _(
            "This film is on a coach's own disk, so this page has to be given the file each time it is opened."
            " Until then the match time runs without it."
        ),
        "film_checking": _("Comparing the file with the film."),
        "film_wrong": _(
            "“{file}” is not the film “{name}”. {differs} It is not played: every time would be off."
        ),
        "differs_size": _("The size differs: {here} and not {there}."),
        "differs_length": _("The length differs: {here} and not {there}."),
        "differs_content": _("What is in it differs, although size and length are the same."),
        "film_unreadable": _("The file cannot be read. Choose it again."),
        "film_unplayable": _(
            "This is the film, but this browser cannot play it. Upload it on the page of the match:"
            " there a copy is made that every browser plays."
        ),
        "film_insecure": _(
            "A film from this device can be compared only on a page with a secure connection (https)."
        ),
        **units(),
        "film_refused": _(
            "The film cannot be shown: it is missing, in a form that this browser cannot play,"
            " or a player has withdrawn consent. You can go on by match time."
        ),
    }


def _row() -> dict[str, str]:
    return {
        "starts": _("Starts"),
        "ends": _("Ends"),
        "here": _("here"),
        "at_film_time": _("at the film's time"),
        "side": _("Served from"),
        "near_end": _("Near end"),
        "follows": _("follows: {value}"),
        "from_to": _("From {from} to {to}"),
        "serves": _("{who} serves"),
        "won_by": _("Won by {who}"),
        "won_by_words": _("Won by"),
        "ends_here_won_by": _("Ends here, won by"),
        "score_before": _("Set the score before this rally"),
        "score_sets": _("Sets over (6-4 3-6)"),
        "score_games": _("Games (2-1)"),
        "score_points": _("Points (30-40)"),
        "reason": _("Reason"),
        "set_score": _("Set the score"),
        "unset_score": _("Let it follow again"),
        "no_score": _(
            "This is no score. Write sets such as 6-4 3-6, games such as 2-1, points such as 30-40."
        ),
        "score_needs_reason": _("Say why the score is set, for example “the film starts late”."),
        "who_is_it": _("{area}: who is it?"),
        "cancel": _("Cancel"),
        "no_situations_yet": _("No situation in this rally yet."),
        "situation_line": _("{time} {area}, {who}"),
        "situation_line_untimed": _("{area}, {who}"),
        "add_here": _("Situation at the film's time"),
        "add_here_untimed": _("Situation in this rally, after the others"),
        "close_here": _("Done in this rally"),
        "close_n": _("{area}: done, {n}"),
        "closed_n": _("{area}: done with {n}"),
        "remove_rally": _("Remove this rally"),
        "correct_situation": _("End, trigger, choice, cannot be judged"),
        "remove_situation": _("Remove"),
        "hit_is_here": _("The hit is here"),
        "make_shown": _("Only to show, not to count"),
        "make_counted": _("Count it after all"),
        "trigger": _("Found because"),
        "any_trigger": _("not said"),
        "choice": _("Chosen"),
        "not_said": _("not said"),
        "at_end": _("At the"),
        "end_near": _("near end"),
        "end_far": _("far end"),
        "judged": _("Can it be judged?"),
        "can_be_judged": _("yes"),
        "away_blocked_view": _("no: view blocked"),
        "away_off_picture": _("no: outside the picture"),
        "away_no_situation": _("no: not such a situation"),
        "drawn": _("drawn"),
    }


def _marks() -> dict[str, str]:
    return {
        "mark_met": _("met"),
        "mark_missed": _("missed"),
        "mark_not_seen": _("not seen"),
        "letter_met": pgettext("letter for met", "m"),
        "letter_missed": pgettext("letter for missed", "x"),
        "letter_not_seen": pgettext("letter for not seen", "n"),
        "clear_mark": _("Clear the mark"),
        "current_check": _("The check that is asked now"),
        "ball_is": _("{ball} ball"),
        "ball_was": _("The ball was"),
        "ball_easy": pgettext("ball", "easy"),
        "ball_normal": pgettext("ball", "normal"),
        "ball_hard": pgettext("ball", "hard"),
        "shift": _("Shift"),
        "key_add": _("{area}: a situation here"),
        "key_close": _("{area}: done in this rally, or open again"),
    }


def _said() -> dict[str, str]:
    return {
        "said_start": _("Rally {n} starts at {time}."),
        "said_end": _("Rally {n}: {who}."),
        "said_row": _("Rally {n}, {time}."),
        "said_row_untimed": _("Rally {n}."),
        "said_situation": _("{area} at {time}."),
        "said_situation_untimed": _("{area}."),
        "said_mark": _("{code} {word}."),
        "said_mark_next": _("{code} {word}. Next: {next} {name}"),
        "said_open": _("{area}: open again."),
        "said_all_closed": _("Rally {n}: every area is done."),
        "said_step": _("{k} of {n}: {area}, {who}."),
        "cleared": _("cleared"),
        "undone": _("Taken back."),
        "redone": _("Done again."),
        "nothing_to_undo": _("There is nothing to take back."),
        "read_only": _("This sheet can be read, not written."),
        "end_first": _(
            "Rally {n} has no end yet: press {key_won_a}, {key_won_b} or {key_won_none} where it ends."
        ),
        "ends_after_start": _("A rally ends after it starts: the film stands before its start."),
        "start_first": _("This rally has no start yet. Say first when it starts."),
        "no_rally": _("Open a rally first."),
        "no_rally_at": _("There is no rally at {time}."),
        "no_unit": _("{area}: nobody of this analysis is looked at here."),
        "no_situation": _("Choose a situation first."),
        "no_time": _("Write a time such as 12:34.5."),
        "area_is_closed": _("{area} is done in this rally. Open it again first."),
        "all_marked": _("Every check of this situation is marked."),
        "all_done": _("Every situation is marked."),
        "list_newer": _(
            "The club's check list is now version {newer}; this analysis goes on with version {own}."
        ),
        "nothing_listed": _("No situation to look at yet."),
        "no_state": _("The sheet could not be read. Reload the page."),
    }


def _draws() -> dict[str, str]:
    return {
        "draw_title": _("The draw"),
        "draw_not_yet": _("{area}: {n} listed, not drawn yet."),
        "draw_is": _("{area}: {planned} of {n} listed are drawn."),
        "draw_number": _("{area}: how many to draw"),
        "draw_up_to": _("{area}: go on until this many are drawn"),
        "draw_now": _("Draw"),
        "draw_go_on": _("Go on"),
        "draw_needs_all": _("Some situations have not arrived yet. Wait for “all saved”, then draw."),
    }
