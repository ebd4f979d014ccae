"""Line pictures as inline SVG: no script, no font, nothing loaded from elsewhere. Pure."""

from __future__ import annotations

import html
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 720, 230
LEFT, RIGHT, TOP, BOTTOM = 58, 14, 12, 34
MAX_POINTS = 720  # one a pixel column; more is only file size
INKS = ("#2962b0", "#c2570c", "#2f7d4f", "#7a4aa8")  # told apart by eyes that see no red and green, and by dashes
DASHES = ("", "6 3", "2 3", "10 3 2 3")


@dataclass(frozen=True, slots=True)
class Line:
    """One line: a name, times and values (k,); NaN breaks it."""

    name: str
    x: Floats
    y: Floats


@dataclass(frozen=True, slots=True)
class Shade:
    """A span of time with a word, drawn behind the lines."""

    begin: float
    end: float
    word: str


def picture(
    title: str, unit: str, lines: Sequence[Line], *, shades: Sequence[Shade] = (), limit: float | None = None,
    low: float | None = 0.0, high: float | None = None, logarithmic: bool = False, x_unit: str = "s",
) -> str:  # fmt: skip
    """An SVG figure with its caption and legend. ``limit`` is drawn as a line of its own; ``low`` and ``high`` are in
    view whatever the values."""
    title = f"{title}, {unit}" if unit else title
    lines = [_thinned(line) for line in lines if np.isfinite(line.y).any()]
    if not lines:
        return f"<figure><figcaption>{html.escape(title)}: nothing was measured</figcaption></figure>"
    x0, x1 = _span([line.x for line in lines], None)
    y0, y1 = _span([line.y for line in lines] + [np.array([v]) for v in (limit, high) if v is not None], low)
    if logarithmic:
        y0 = max(y0, min(float(line.y[line.y > 0].min()) for line in lines if (line.y > 0).any()))
    scale = _Scale(x0, x1, y0, y1 * (1.0 if logarithmic else 1.04), logarithmic)
    body = [*_grid(scale, x_unit), *(_shade(scale, s) for s in shades if s.end > x0 and s.begin < x1)]
    body += [_path(scale, line, number) for number, line in enumerate(lines)]
    if limit is not None:
        at = scale.y(limit)
        body.append(f'<line class="limit" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>')
        body.append(f'<text class="limit" x="{WIDTH - RIGHT}" y="{at - 4:.1f}" text-anchor="end">objective</text>')
    legend = "".join(
        f'<span><svg width="26" height="8"><line x1="0" x2="26" y1="4" y2="4" stroke="{INKS[n % 4]}" '
        f'stroke-width="2" stroke-dasharray="{DASHES[n % 4]}"/></svg> {html.escape(line.name)}</span>'
        for n, line in enumerate(lines)
    )
    return (
        f"<figure><figcaption>{html.escape(title)}</figcaption>"
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{html.escape(title)}">{"".join(body)}</svg>'
        f'<div class="legend">{legend}</div></figure>'
    )


def trials(
    title: str, phones: Sequence[int], held: Sequence[bool], low: float | None = None, high: float | None = None
) -> str:
    """Steps of a search in their order: a disc where the step held, a cross where it broke; a band from low to high."""
    marks = [float(n) for n in phones]
    top = max(*marks, high or 0.0, 1.0)
    scale = _Scale(0.5, len(marks) + 0.5, 0.0, top * 1.06, False)
    body = _grid(scale, "step")
    if low is not None and high is not None:
        above, below = scale.y(high), scale.y(low)
        body.append(f'<rect class="shade" x="{LEFT}" y="{above:.1f}" width="{WIDTH - LEFT - RIGHT}" '
                    f'height="{max(below - above, 1.5):.1f}"/>')  # fmt: skip
    body += [
        _mark(scale.x(n), scale.y(value), good) for n, (value, good) in enumerate(zip(marks, held, strict=True), 1)
    ]
    legend = "".join(
        f'<span><svg width="26" height="14">{_mark(13, 7, good)}</svg> {word}</span>'
        for good, word in ((True, "held"), (False, "broke"))
    )
    band = "<span>grey: the limit, with 90 % certainty</span>" if low is not None else ""
    return (
        f"<figure><figcaption>{html.escape(title)}</figcaption>"
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{html.escape(title)}">{"".join(body)}</svg>'
        f'<div class="legend">{legend}{band}</div></figure>'
    )


def _mark(x: float, y: float, good: bool) -> str:
    if good:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{INKS[0]}"/>'
    left, right, over, under = x - 4.2, x + 4.2, y - 4.2, y + 4.2
    cross = f"M{left:.1f} {over:.1f}L{right:.1f} {under:.1f}M{left:.1f} {under:.1f}L{right:.1f} {over:.1f}"
    return f'<path d="{cross}" stroke="{INKS[1]}" stroke-width="2.4" fill="none"/>'


@dataclass(frozen=True, slots=True)
class _Scale:
    x0: float
    x1: float
    y0: float
    y1: float
    logarithmic: bool

    def x(self, value: float) -> float:
        return LEFT + (value - self.x0) / max(self.x1 - self.x0, 1e-12) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        low, high, at = self.y0, self.y1, value
        if self.logarithmic:
            low, high, at = (math.log10(max(v, 1e-9)) for v in (low, high, value))
        share = (at - low) / max(high - low, 1e-12)
        return HEIGHT - BOTTOM - min(max(share, 0.0), 1.0) * (HEIGHT - TOP - BOTTOM)


def _grid(scale: _Scale, x_unit: str) -> list[str]:
    made = []
    for value in _ticks(scale.y0, scale.y1, scale.logarithmic):
        at = scale.y(value)
        made.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>')
        made.append(f'<text x="{LEFT - 6}" y="{at + 3.5:.1f}" text-anchor="end">{_number(value)}</text>')
    for value in _ticks(scale.x0, scale.x1, False):
        made.append(
            f'<text x="{scale.x(value):.1f}" y="{HEIGHT - BOTTOM + 15}" text-anchor="middle">{_number(value)}</text>'
        )
    made.append(f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 6}" text-anchor="end">{html.escape(x_unit)}</text>')
    return made


def _shade(scale: _Scale, shade: Shade) -> str:
    left, right = max(scale.x(shade.begin), LEFT), min(scale.x(shade.end), WIDTH - RIGHT)
    return (
        f'<rect class="shade" x="{left:.1f}" y="{TOP}" width="{max(right - left, 1.5):.1f}" '
        f'height="{HEIGHT - TOP - BOTTOM}"/><text class="word" x="{left + 3:.1f}" y="{TOP + 11}">'
        f"{html.escape(shade.word)}</text>"
    )


def _path(scale: _Scale, line: Line, number: int) -> str:
    made, pen = [], "M"
    for x, y in zip(line.x.tolist(), line.y.tolist(), strict=True):
        if not math.isfinite(y) or (scale.logarithmic and y <= 0):
            pen = "M"
            continue
        made.append(f"{pen}{scale.x(x):.1f} {scale.y(y):.1f}")
        pen = "L"
    ink, dash = INKS[number % 4], DASHES[number % 4]
    return f'<path d="{"".join(made)}" fill="none" stroke="{ink}" stroke-width="1.8" stroke-dasharray="{dash}"/>'


def _thinned(line: Line) -> Line:
    """At most MAX_POINTS, keeping each stretch's largest value: a peak must not vanish between two pixels."""
    if len(line.x) <= MAX_POINTS:
        return line
    edges = np.linspace(0, len(line.x), MAX_POINTS + 1).astype(int)
    keep = [a + int(np.argmax(np.nan_to_num(line.y[a:b], nan=-np.inf))) for a, b in itertools.pairwise(edges)]
    return Line(line.name, line.x[keep], line.y[keep])


def _span(values: Sequence[Floats], low: float | None) -> tuple[float, float]:
    joined = np.concatenate([v[np.isfinite(v)] for v in values])
    least, most = float(joined.min()), float(joined.max())
    least = least if low is None else min(low, least)
    return least, most if most > least else least + 1.0


def _ticks(low: float, high: float, logarithmic: bool) -> list[float]:
    if logarithmic:
        first, last = math.floor(math.log10(max(low, 1e-9))), math.ceil(math.log10(max(high, 1e-9)))
        return [v for e in range(first, last + 1) for v in (10.0**e, 3 * 10.0**e) if low <= v <= high]
    step = 10.0 ** math.floor(math.log10((high - low) / 4))
    step *= next(m for m in (1, 2, 2.5, 5, 10) if (high - low) / (step * m) <= 6)
    return [i * step for i in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"
