"""What follows from what was seen, and what comes in and goes out in bulk."""

from reports.models.exchange import Batch, BatchQuerySet, Parcel, ParcelQuerySet
from reports.models.scores import FocusPoint, Homework, HomeworkLog, Score, SharedFit

__all__ = [
    "Batch",
    "BatchQuerySet",
    "FocusPoint",
    "Homework",
    "HomeworkLog",
    "Parcel",
    "ParcelQuerySet",
    "Score",
    "SharedFit",
]
