"""How does one figure of one vehicle go? A small drawing, many of which stand beside each other."""

from __future__ import annotations

import html
import math

import numpy as np
from markupsafe import Markup

from decoder.frames import FloatArray
from fleet.badness import Scale
from fleet.metrics import MONTH_DAYS
from fleet.trends import Trend

WIDTH, HEIGHT = 240, 72
_LEFT, _RIGHT, _TOP, _FOOT = 4, 4, 6, 6


def small_trend(trend: Trend, scale: Scale | None, span: tuple[float, float], label: str) -> Markup:
    """Points a day, the slope of the present episode, the limit dashed, cuts dotted. span: first and last day drawn.

    label: what the drawing says, in words, for those who do not see it.
    """
    shown = _range(trend, scale)
    head = f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" class="small" role="img" aria-label="{html.escape(label)}">'
    if shown is None:
        return Markup(f"{head}</svg>")  # noqa: S704 - the label is escaped
    low, high = shown
    days, width, height = max(span[1] - span[0], 1.0), WIDTH - _LEFT - _RIGHT, HEIGHT - _TOP - _FOOT

    def x(day: FloatArray) -> FloatArray:
        return _LEFT + (day - span[0]) / days * width

    def y(value: FloatArray) -> FloatArray:
        return _TOP + (high - value) / (high - low) * height

    parts = [head]
    if scale is not None and low <= scale.limit <= high:
        at = float(y(np.array(scale.limit)))
        parts.append(f'<path class="limit" d="M{_LEFT} {at:.0f}H{WIDTH - _RIGHT}"/>')
    parts += [
        f'<path class="cut" d="M{float(x(np.array(cut.day))):.0f} {_TOP}V{HEIGHT - _FOOT}"/>'
        for cut in trend.cuts
        if span[0] < cut.day <= span[1]
    ]
    inside = (trend.day >= span[0]) & (trend.day <= span[1])
    places = zip(x(trend.day[inside]), y(trend.value[inside]), strict=True)
    parts.append(f'<path class="dots" d="{"".join(f"M{px:.0f} {py:.0f}h0" for px, py in places)}"/>')
    ends = _slope_ends(trend)
    if ends is not None:
        (px, qx), (py, qy) = x(ends[0]), y(ends[1])
        parts.append(f'<path class="slope" d="M{px:.0f} {py:.0f}L{qx:.0f} {qy:.0f}"/>')
    return Markup("".join([*parts, "</svg>"]))  # noqa: S704 - the label is escaped, the rest are numbers


def _range(trend: Trend, scale: Scale | None) -> tuple[float, float] | None:
    """Lowest and highest value drawn; the limit is in it unless it lies far off. None without a point."""
    if not len(trend.value):
        return None
    low, high = (float(one) for one in np.percentile(trend.value, [0, 100]))
    size = max(high - low, 0.04 * abs(high), 1e-6)
    if scale is not None and low - 2 * size <= scale.limit <= high + 2 * size:
        low, high = min(low, scale.limit), max(high, scale.limit)
    edge = 0.08 * max(high - low, size)
    return low - edge, high + edge


def _slope_ends(trend: Trend) -> tuple[FloatArray, FloatArray] | None:
    """First and last point of the slope through the middle of the present episode; None where there is no slope."""
    if not math.isfinite(trend.slope.value):
        return None
    now = trend.day >= trend.begin
    day, value = trend.day[now], trend.value[now]
    rate = trend.slope.value / MONTH_DAYS
    ends = day[[0, -1]]
    return ends, np.median(value - rate * day) + rate * ends
