"""The same pictures as plain SVG: for paper, for a page without JavaScript, and before the script has drawn.

Draws what `reports.picture` makes and no more: lines, filled outlines, points, bars, straight shapes, notes.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from decoder.frames import FloatArray
from reports.axis_ticks import number_ticks, time_ticks
from reports.picture import Picture
from reports.theme import FAINT, INK

WIDTH = 760
_POINTS = 900  # points of a line that can be told apart at this width
_LABEL, _DATE = 44.0, 20.0  # room of a tick's label, and more on either side for a date below it [px]
_DASHES = {"dash": "7 4", "dot": "2 3"}


@dataclass(frozen=True, slots=True)
class _Scale:
    """From values to pixels along one axis. cuts: stretches that the axis leaves out, from and to."""

    low: float
    high: float
    start: float
    end: float
    cuts: tuple[tuple[float, float], ...] = ()

    def __call__(self, value: Any) -> FloatArray:
        low, high = self._kept(np.array([self.low, self.high])).tolist()
        share = (self._kept(_numbers(value)) - low) / ((high - low) or 1.0)
        return np.asarray(self.start + share * (self.end - self.start), dtype=np.float64)

    def _kept(self, values: FloatArray) -> FloatArray:
        """Values less what was cut out before them; within a cut all values are its start."""
        return values - sum(np.clip(values - cut, 0.0, end - cut) for cut, end in self.cuts)

    def one(self, value: Any) -> float:
        return float(self(value).reshape(-1)[0])

    def shows(self, value: float) -> bool:
        return self.low <= value <= self.high


def static_svg(picture: Picture, label: str) -> Markup:
    """The picture as an svg element whose accessible name is label."""
    layout = picture.layout
    margin = layout["margin"]
    height = layout["height"]
    inner = height - margin["t"] - margin["b"]
    low, high = _numbers(layout["xaxis"]["range"]).tolist()
    x = _Scale(low, high, margin["l"], WIDTH - margin["r"], _cuts(layout["xaxis"]))
    ys = {}
    for key in (key for key in layout if key.startswith("yaxis")):
        low, high = layout[key]["range"]
        foot, head = (margin["t"] + (1 - share) * inner for share in layout[key]["domain"])
        ys[key.replace("yaxis", "y")] = _Scale(low, high, foot, head)
    to_x = {"x": x, "paper": _Scale(0.0, 1.0, x.start, x.end)}
    to_y = {**ys, "paper": _Scale(0.0, 1.0, margin["t"] + inner, margin["t"])}
    clip = f"clip-{picture.name}"
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{html.escape(label)}" class="drawn">',
        f'<clipPath id="{clip}"><rect x="{x.start}" y="0" width="{x.end - x.start:g}" height="{height}"/></clipPath>',
        *_axes(layout, x, ys),
        f'<g clip-path="url(#{clip})">',
        *(_shape(shape, to_x[shape["xref"]], to_y[shape["yref"]]) for shape in layout["shapes"]),
        *(part for trace in picture.data for part in _trace(trace, x, ys[trace["yaxis"]])),
        "</g>",
        *(_note(note, to_x[note["xref"]], to_y[note["yref"]]) for note in layout["annotations"]),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - every word in it is escaped where it is written


def swatch(trace: dict[str, Any]) -> Markup:
    """A small drawing of what a trace looks like, for a legend."""
    if trace["type"] == "bar":
        box = _rect(2, 2, 24, 14)
        hatch = f'<rect {box} fill="url(#hatch)"/>' if trace["marker"]["pattern"]["shape"] else ""
        inner = f'<rect {box} {_paint("fill", trace["marker"]["color"])} class="bar"/>{hatch}'
    elif trace["mode"] == "markers":
        inner = _symbol({**trace["marker"], "size": 11}, 13, 8)
    elif "fill" in trace:
        inner = f"<rect {_rect(2, 3, 24, 13)} {_paint('fill', trace['fillcolor'])}/>"
    else:
        inner = f'<path d="M1 8H25" {_pen({**trace["line"], "width": 2.4})}/>'
    drawn = f'<svg viewBox="0 0 26 16" width="26" height="16" aria-hidden="true" class="swatch">{inner}</svg>'
    return Markup(drawn)  # noqa: S704 - numbers and colours only


def _numbers(value: Any) -> FloatArray:
    """Values as floats; instants as milliseconds from 1970."""
    array = np.asarray(value)
    if array.dtype.kind == "M":
        return array.astype("datetime64[ms]").astype(np.int64).astype(np.float64)
    return array.astype(np.float64)


def _axes(layout: dict[str, Any], x: _Scale, ys: dict[str, _Scale]) -> list[str]:
    parts = []
    bottom = max(scale.start for scale in ys.values())
    for key, scale in ys.items():
        axis = layout[key.replace("y", "yaxis")]
        for at, words in zip(axis["tickvals"], axis["ticktext"], strict=True):
            y = scale.one(at)
            parts.append(_rule(x.start, y, x.end, y, "grid"))
            parts.append(_words(html.unescape(words), x.start - 6, y + 4, "end"))
        parts.append(_rule(x.start, scale.start, x.start, scale.end, "axis"))
        parts.append(_rule(x.start, scale.start, x.end, scale.start, "axis"))
    for at, words, second in _x_ticks(layout, x):
        place = x.one(at)
        parts += [_rule(place, scale.start, place, scale.end, "grid") for scale in ys.values()]
        parts += [_rule(place, bottom, place, bottom + 5, "axis"), _words(words, place, bottom + 19, "middle")]
        if second:
            parts.append(_words(second, place, bottom + (34 if words else 19), "middle"))
    title = html.unescape(layout["xaxis"]["title"]["text"])
    parts.append(_words(title, (x.start + x.end) / 2, bottom + 58, "middle"))
    return parts


def set_time_ticks(layout: dict[str, Any]) -> None:
    """Give a time axis with cuts the ticks it is to begin with: plotly finds few of its own."""
    axis = layout["xaxis"]
    low, high = _numbers(axis["range"]).tolist()
    ticks = _x_ticks(layout, _Scale(low, high, layout["margin"]["l"], WIDTH - layout["margin"]["r"], _cuts(axis)))
    axis["tickvals"] = [at for at, _, _ in ticks]
    axis["ticktext"] = [f"{words}<br>{day}" if day else words for _, words, day in ticks]
    axis["tickmode"] = "array"


def _cuts(axis: dict[str, Any]) -> tuple[tuple[float, float], ...]:
    ends = [_numbers(one["bounds"]).tolist() for one in axis.get("rangebreaks", ())]
    return tuple((low, high) for low, high in ends)


def _x_ticks(layout: dict[str, Any], x: _Scale) -> list[tuple[Any, str, str]]:
    axis = layout["xaxis"]
    low, high = axis["range"]
    if axis.get("type") == "date":
        relative = any("%-j" in stop["value"] for stop in axis["tickformatstops"])
        return _clear_of_cuts(time_ticks(low, high, 14 if x.cuts else 7, relative=relative, cuts=x.cuts), x)
    if "ticktext" in axis:
        return [(at, html.unescape(words), "") for at, words in zip(axis["tickvals"], axis["ticktext"], strict=True)]
    if "dtick" in axis:
        places = range(math.ceil(low / axis["dtick"]), math.floor(high / axis["dtick"]) + 1)
        return [(place * axis["dtick"], str(place * axis["dtick"]), "") for place in places]
    return [(at, words, "") for at, words in number_ticks(low, high, 7)]


def _clear_of_cuts(ticks: list[tuple[Any, str, str]], x: _Scale) -> list[tuple[Any, str, str]]:
    """Ticks less those that would write over the one before; the day moves on to the next that stays."""
    kept: list[tuple[Any, str, str]] = []
    last, day = -math.inf, ""
    for at, words, second in ticks:
        day, here = second or day, x.one(at)
        if x.cuts and here - last < _LABEL + (_DATE if day else 0.0):
            continue
        last = here + (_DATE if day else 0.0)
        kept.append((at, words, day))
        day = ""
    return kept


def _trace(trace: dict[str, Any], x: _Scale, y: _Scale) -> list[str]:
    if trace["type"] == "bar":
        return _bars(trace, x, y)
    xs, ys = x(trace["x"]), y(trace["y"])
    if trace["mode"] == "markers":
        return [_symbol(trace["marker"], px, py) for px, py in zip(xs, ys, strict=True) if np.isfinite(py)]
    line = trace["line"]
    filled = "fill" in trace
    path = _path(xs, ys, steps=line.get("shape") == "hv", closed=filled)
    if not path:
        return []
    if filled:
        return [f'<path d="{path}" {_paint("fill", trace["fillcolor"])}/>']
    return [f'<path d="{path}" fill="none" {_pen(line)}/>']


def _path(xs: FloatArray, ys: FloatArray, *, steps: bool, closed: bool) -> str:
    """SVG path data; a NaN lifts the pen. Beyond `_POINTS` points lowest and highest of each stretch stay."""
    if not closed and len(xs) > _POINTS:
        from tsdownsample import NaNMinMaxDownsampler

        keep = np.sort(NaNMinMaxDownsampler().downsample(np.ascontiguousarray(ys), n_out=_POINTS).astype(np.int64))
        xs, ys = xs[keep], ys[keep]
    parts: list[str] = []
    down = False
    last = ""
    for px, py in zip(xs.tolist(), ys.tolist(), strict=True):
        if py != py:  # noqa: PLR0124 - NaN is the one value that differs from itself
            if down and closed:
                parts.append("Z")
            down = False
            continue
        if down and steps:
            parts.append(f"H{px:.1f}V{py:.1f}")
        else:
            word = f"{px:.1f} {py:.1f}"
            if not down or word != last:
                parts.append(("L" if down else "M") + word)
            last = word
        down = True
    return "".join(parts)


def _bars(trace: dict[str, Any], x: _Scale, y: _Scale) -> list[str]:
    upright = trace["orientation"] == "v"
    values, places = (trace["y"], trace["x"]) if upright else (trace["x"], trace["y"])
    along, across = (y, x) if upright else (x, y)
    marker = trace["marker"]
    parts = []
    for value, place, base in zip(values, places, trace["base"], strict=True):
        a, b = along.one(base), along.one(base + value)
        c, d = (across.one(float(place) + side * trace["width"] / 2) for side in (-1, 1))
        box = (c, a, d, b) if upright else (a, c, b, d)
        rect = _rect(*box)
        parts.append(f'<rect {rect} {_paint("fill", marker["color"])} class="bar"/>')
        if marker["pattern"]["shape"]:
            parts.append(f'<rect {rect} fill="url(#hatch)"/>')
    return parts


def _symbol(marker: dict[str, Any], x: float, y: float) -> str:
    name = marker["symbol"]
    r = marker["size"] / 2
    open_ = name.endswith("-open")
    fill = 'fill="none"' if open_ else _paint("fill", marker["color"])
    stroke = f'{_paint("stroke", marker["line"]["color"])} stroke-width="{marker["line"]["width"]}"'
    shape = name.removesuffix("-open")
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:g}" {fill} {stroke}/>'
    corners = {
        "square": [(-r, -r), (r, -r), (r, r), (-r, r)],
        "diamond": [(0, -r * 1.3), (r * 1.3, 0), (0, r * 1.3), (-r * 1.3, 0)],
        "triangle-up": [(0, -r * 1.2), (r * 1.1, r * 0.8), (-r * 1.1, r * 0.8)],
        "triangle-down": [(0, r * 1.2), (r * 1.1, -r * 0.8), (-r * 1.1, -r * 0.8)],
        "x": [((dx - dy) * 0.72, (dx + dy) * 0.72) for dx, dy in _cross(r)],
    }.get(shape, _cross(r))
    points = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners)
    return f'<polygon points="{points}" {fill} {stroke}/>'


def _cross(r: float) -> list[tuple[float, float]]:
    t = r * 0.36
    return [(-r, -t), (-t, -t), (-t, -r), (t, -r), (t, -t), (r, -t), (r, t), (t, t), (t, r), (-t, r), (-t, t), (-r, t)]


def _shape(shape: dict[str, Any], x: _Scale, y: _Scale) -> str:
    x0, x1, y0, y1 = x.one(shape["x0"]), x.one(shape["x1"]), y.one(shape["y0"]), y.one(shape["y1"])
    if shape["type"] == "rect":
        return f"<rect {_rect(x0, y0, x1, y1)} {_paint('fill', shape['fillcolor'])}/>"
    if not y.shows(shape["y0"]):
        return ""
    ends = f'x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"'
    return f"<line {ends} {_pen(shape['line'])}/>"


def _note(note: dict[str, Any], x: _Scale, y: _Scale) -> str:
    if not y.shows(note["y"]):
        return ""
    below = (14 if note["yanchor"] == "top" else -5) - note.get("yshift", 0)
    anchor = {"left": "start", "right": "end"}.get(note["xanchor"], "middle")
    left = x.one(note["x"]) + note.get("xshift", 0)
    return _words(html.unescape(note["text"]), left, y.one(note["y"]) + below, anchor)


def _pen(line: dict[str, Any]) -> str:
    """Colour, width and dash of a line as attributes."""
    dash = f' stroke-dasharray="{_DASHES[line["dash"]]}"' if line["dash"] in _DASHES else ""
    return f'{_paint("stroke", line["color"])} stroke-width="{line["width"]}"{dash}'


def _paint(what: str, colour: str) -> str:
    """A colour as an attribute; the stand-ins for ink follow the page's own ink."""
    if colour == INK:
        return f'{what}="currentColor"'
    if colour == FAINT:
        return f'{what}="currentColor" {what}-opacity="0.2"'
    if colour.startswith("rgba("):
        red, green, blue, alpha = colour[5:-1].split(",")
        return f'{what}="rgb({red},{green},{blue})" {what}-opacity="{alpha}"'
    return f'{what}="{colour}"'


def _rect(x0: float, y0: float, x1: float, y1: float) -> str:
    width, height = abs(x1 - x0), abs(y1 - y0)
    return f'x="{min(x0, x1):.1f}" y="{min(y0, y1):.1f}" width="{width:.1f}" height="{height:.1f}"'


def _rule(x0: float, y0: float, x1: float, y1: float, kind: str) -> str:
    return f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" class="{kind}"/>'


def _words(words: str, x: float, y: float, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{html.escape(words, quote=False)}</text>'
