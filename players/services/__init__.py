"""What changes people in a club: keyword-only, the actor named, each in one transaction with its audit row."""

from players.services.consent import give_consent, withdraw_consent
from players.services.drills import bring_in_standard, copy_drill, save_drill
from players.services.goals import set_goal
from players.services.groups import make_pair, restore_squad, retire_squad, save_squad
from players.services.invitations import accept_invitation, invite
from players.services.levels import add_level, edit_level, move_level, remove_level
from players.services.notes import withdraw_note, write_note
from players.services.people import add_guardian, add_player, edit_player, remove_guardian, set_level
from players.services.settings import edit_check_list, edit_club, found_club

__all__ = [
    "accept_invitation",
    "add_guardian",
    "add_level",
    "add_player",
    "bring_in_standard",
    "copy_drill",
    "edit_check_list",
    "edit_club",
    "edit_level",
    "edit_player",
    "found_club",
    "give_consent",
    "invite",
    "make_pair",
    "move_level",
    "remove_guardian",
    "remove_level",
    "restore_squad",
    "retire_squad",
    "save_drill",
    "save_squad",
    "set_goal",
    "set_level",
    "withdraw_consent",
    "withdraw_note",
    "write_note",
]
