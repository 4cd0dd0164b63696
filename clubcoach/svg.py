"""Small drawings made on the server: classes only, so that light, dark and paper decide the colours."""

from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe


def number(value: float) -> str:
    """A coordinate with at most one decimal: shorter pages, and no locale's comma."""
    return f"{value:.1f}".rstrip("0").rstrip(".")


def line(kind: str, x1: float, y1: float, x2: float, y2: float) -> SafeString:
    return format_html(
        '<line class="{}" x1="{}" y1="{}" x2="{}" y2="{}"/>',
        kind, number(x1), number(y1), number(x2), number(y2),
    )  # fmt: skip


def text(kind: str, x: float, y: float, words: str) -> SafeString:
    return format_html('<text class="{}" x="{}" y="{}">{}</text>', kind, number(x), number(y), words)


def dot(kind: str, x: float, y: float, r: float) -> SafeString:
    return format_html('<circle class="{}" cx="{}" cy="{}" r="{}"/>', kind, number(x), number(y), number(r))


def joined(parts: list[SafeString]) -> SafeString:
    # Every part was escaped where it was made.
    return mark_safe("".join(parts))


def strip(share: float, low: float, high: float, standard: float | None = None) -> SafeString:
    """A rule from 0 to 1 with the interval, the estimate and the level's standard; the words stand beside it."""
    width, middle, pad = 120, 9, 5

    def at(value: float) -> float:
        return pad + min(max(float(value), 0.0), 1.0) * (width - 2 * pad)

    parts = [line("axis", at(0), middle, at(1), middle)]
    parts += [line("tick", at(tick), middle - 3, at(tick), middle + 3) for tick in (0, 0.5, 1)]
    if standard is not None:
        parts.append(line("standard", at(standard), middle - 8, at(standard), middle + 8))
    parts += [line("interval", at(low), middle, at(high), middle), dot("estimate", at(share), middle, 4)]
    return format_html(
        '<svg class="strip" viewBox="0 0 {} {}" width="{}" height="{}" aria-hidden="true" focusable="false">{}</svg>',
        width, 2 * middle, width, 2 * middle, joined(parts),
    )  # fmt: skip
