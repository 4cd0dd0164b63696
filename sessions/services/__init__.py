"""What changes many rows at once: the actor is named, the whole or nothing, its audit row inside."""

from sessions.services.analyses import (
    OpenArea,
    assign,
    cancel,
    open_areas,
    request_analysis,
    send_back,
    set_words,
    submit,
)
from sessions.services.court import (
    copy_court,
    place_court,
    remove_camera,
    remove_court,
    save_camera,
    set_camera,
)
from sessions.services.film_care import (
    again_film,
    cancel_film,
    hide_match,
    hold_film,
    let_go,
    move_film,
    pause_film,
    remove_film,
    resume_film,
    show_match,
)
from sessions.services.films import add_film, register_away
from sessions.services.hunches import HunchEntry, write_hunches
from sessions.services.lessons import cancel_lesson, note_attendance, plan_lessons
from sessions.services.listening import (
    Accepted,
    Skipped,
    accept_rallies,
    ask_to_listen,
    dismiss_rallies,
    reopen_rallies,
)
from sessions.services.listening_times import Moved, add_rally_by_hand, correct_rally, set_delay
from sessions.services.matches import SeatEntry, register_match
from sessions.services.publishing import new_version, publish, withdraw
from sessions.services.uploads import begin_upload, end_upload, film_arrived

__all__ = [
    "Accepted",
    "HunchEntry",
    "Moved",
    "OpenArea",
    "SeatEntry",
    "Skipped",
    "accept_rallies",
    "add_film",
    "add_rally_by_hand",
    "again_film",
    "ask_to_listen",
    "assign",
    "begin_upload",
    "cancel",
    "cancel_film",
    "cancel_lesson",
    "copy_court",
    "correct_rally",
    "dismiss_rallies",
    "end_upload",
    "film_arrived",
    "hide_match",
    "hold_film",
    "let_go",
    "move_film",
    "new_version",
    "note_attendance",
    "open_areas",
    "pause_film",
    "place_court",
    "plan_lessons",
    "publish",
    "register_away",
    "register_match",
    "remove_camera",
    "remove_court",
    "remove_film",
    "reopen_rallies",
    "request_analysis",
    "resume_film",
    "save_camera",
    "send_back",
    "set_camera",
    "set_delay",
    "set_words",
    "show_match",
    "submit",
    "withdraw",
    "write_hunches",
]
