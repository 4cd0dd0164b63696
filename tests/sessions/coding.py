"""A device that codes, for tests: it numbers its operations as the sheet does."""

import uuid
from dataclasses import dataclass, field
from typing import Any

from django.test import Client

from players.models import Area, Unit
from sessions.models import Analysis, Match
from tests import factories as make


@dataclass
class Court:
    """A match of Ana and Dan against Cleo and a visitor, with an analysis of the assistant."""

    cast: Any
    match: Match
    analysis: Analysis
    ana: Unit
    pair: Unit

    @property
    def base(self) -> str:
        return f"/c/{self.cast.club.slug}/api/v1/analyses/{self.analysis.uuid}"

    def device(self, person: Any = None) -> "Device":
        return Device(self.cast.client(person or self.cast.assistant), self.base)

    def state(self, person: Any = None) -> dict[str, Any]:
        answer = self.cast.client(person or self.cast.assistant).get(f"{self.base}/state/")
        assert answer.status_code == 200, answer.content
        return answer.json()

    def area(self, code: str) -> Area:
        return Area.objects.get(club=self.cast.club, code=code)


def make_court(cast: Any, **fields: Any) -> Court:
    match = make.make_match(cast.club, [cast.ana, cast.dan, cast.cleo, None])
    ana = Unit.objects.get(kind="player", first=cast.ana)
    pair = Unit.objects.pair_of(cast.ana, cast.dan)
    analysis = make.make_analysis(match, analyst=cast.assistant, units=[ana, pair], **fields)
    return Court(cast, match, analysis, ana, pair)


@dataclass
class Device:
    client: Client
    base: str
    id: str = field(default_factory=lambda: str(uuid.uuid4()))
    seq: int = 0

    def op(self, kind: str, target: str, body: Any = None, base_rev: int | None = None) -> dict[str, Any]:
        self.seq += 1
        return {
            "op": str(uuid.uuid4()),
            "device": self.id,
            "seq": self.seq,
            "kind": kind,
            "target": target,
            "base_rev": base_rev,
            "body": body or {},
        }

    def post(self, ops: Any) -> Any:
        return self.client.post(f"{self.base}/ops/", {"ops": ops}, content_type="application/json")

    def send(self, *ops: dict[str, Any]) -> list[dict[str, Any]]:
        answer = self.post(list(ops))
        assert answer.status_code == 200, answer.content
        return answer.json()["results"]

    def do(self, kind: str, target: str, body: Any = None, base_rev: int | None = None) -> dict[str, Any]:
        """Send one operation; the answer carries the operation, so that a test can undo or repeat it."""
        sent = self.op(kind, target, body, base_rev)
        return {**self.send(sent)[0], "sent": sent}

    def undo(self, result: dict[str, Any]) -> dict[str, Any]:
        return self.do("undo", result["op"])

    def rally(self, number: int = 1, start: float = 20.0, end: float | None = 30.0, **body: Any) -> str:
        target = str(uuid.uuid4())
        result = self.do("rally.add", target, {"number": number, "start_s": start, "end_s": end, **body})
        assert result["status"] == "applied", result
        return target

    def situation(self, rally: str, unit: Unit, area: str, **body: Any) -> str:
        target = str(uuid.uuid4())
        values = {"rally": rally, "unit": unit.pk, "area": area, "hit_s": 23.0, "end": "near", **body}
        result = self.do("situation.add", target, values)
        assert result["status"] == "applied", result
        return target
