"""Many rows into a table at once, in the way that the database takes fastest."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from django.db import connection, models, transaction

# A chunk this large takes some hundredths of a second; whoever saves a mark meanwhile waits no longer than that.
ROWS = 3000
# Keys that are fetched at a time.
_SLAB = 2000
_PAUSES = {"sqlite": (0.03, 1.0), "postgresql": (0.002, 0.1)}


@contextmanager
def chunk() -> Iterator[None]:
    """One short transaction, and a pause behind it in which others have their turn.

    SQLite has one writer at a time, and those who wait look again only now and then: without a pause the
    next chunk would always be there first.
    """
    began = time.perf_counter()
    with transaction.atomic():
        yield
    least, share = _PAUSES.get(connection.vendor, (0.0, 0.0))
    time.sleep(max(least, share * (time.perf_counter() - began)))


class Keys:
    """Keys of one table that nobody else gets, fetched many at a time."""

    def __init__(self, model: type[models.Model]) -> None:
        self.table = model._meta.db_table
        self.free: deque[int] = deque()

    def take(self, count: int) -> list[int]:
        if len(self.free) < count:
            self.free.extend(self._reserve(max(count, _SLAB)))
        return [self.free.popleft() for _ in range(count)]

    def _reserve(self, count: int) -> Sequence[int]:
        with transaction.atomic(), connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                sequence = "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)"
                cursor.execute(sequence, [self.table, count])
                return [row[0] for row in cursor.fetchall()]
            cursor.execute("UPDATE sqlite_sequence SET seq = seq + %s WHERE name = %s", [count, self.table])
            if not cursor.rowcount:
                cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [self.table, count])
            cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [self.table])
            last = cursor.fetchone()[0]
            return range(last - count + 1, last + 1)


def insert(model: type[models.Model], names: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Insert rows of values as the database keeps them; see `kept`. `names` are fields of the model."""
    quote = connection.ops.quote_name
    columns = ", ".join(quote(model._meta.get_field(name).column) for name in names)
    table = quote(model._meta.db_table)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        else:
            holes = ", ".join(["%s"] * len(names))
            cursor.executemany(f"INSERT INTO {table} ({columns}) VALUES ({holes})", list(rows))


def kept(model: type[models.Model], name: str, value: Any) -> Any:
    """A value as the database keeps it."""
    field: Any = model._meta.get_field(name)
    return field.get_db_prep_save(value, connection)
