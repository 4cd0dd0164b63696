"""People and pairs, who looks after whom, who may be on film, and what the club looks at and expects."""

from players.models.groups import Note, NoteQuerySet, Squad
from players.models.lists import (
    SHARE,
    Area,
    Check,
    CheckListVersion,
    CheckWording,
    Drill,
    Level,
    LevelStandard,
)
from players.models.people import (
    FilmConsent,
    Goal,
    Guardianship,
    Player,
    PlayerQuerySet,
    Side,
    Unit,
    own_player_ids,
)

__all__ = [
    "SHARE",
    "Area",
    "Check",
    "CheckListVersion",
    "CheckWording",
    "Drill",
    "FilmConsent",
    "Goal",
    "Guardianship",
    "Level",
    "LevelStandard",
    "Note",
    "NoteQuerySet",
    "Player",
    "PlayerQuerySet",
    "Side",
    "Squad",
    "Unit",
    "own_player_ids",
]
