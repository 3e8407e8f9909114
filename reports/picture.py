"""A picture as plotly takes it, in plain values: rows that share one horizontal axis, and what is drawn in them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reports.axis_ticks import number_ticks
from reports.plain import figure_text
from reports.theme import FAINT, FONT, INK, Mark

_TITLE = 26  # height above each row for its title [px]
_FOOT = 68  # below the last row: tick labels and the axis' title [px]
_HIGH = 0.7  # of a row's height: a line above it carries its label below


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """data, layout: what plotly draws. name: unique on a page."""

    name: str
    data: list[dict[str, Any]]
    layout: dict[str, Any]

    def to_plotly(self) -> Any:
        """A plotly Figure that its owner may change."""
        import plotly.graph_objects as go

        return go.Figure(data=self.data, layout=self.layout)


@dataclass(frozen=True, slots=True)
class Row:
    """One row. title: quantity and unit. height [px]. span: lowest and highest value shown. labels: value -> word."""

    title: str
    height: int
    span: tuple[float, float]
    labels: dict[float, str] = field(default_factory=dict)


class Canvas:
    """Collects what a picture shows; `done()` gives the picture. Rows are numbered from 0, the topmost.

    All words may come from outside: they are made harmless here.
    """

    def __init__(
        self,
        name: str,
        rows: Sequence[Row],
        *,
        x_title: str,
        x_span: tuple[Any, Any],
        separators: str = ".,",
        left: int = 56,
    ) -> None:
        self.name = name
        self.data: list[dict[str, Any]] = []
        self.shapes: list[dict[str, Any]] = []
        self.notes: list[dict[str, Any]] = []
        self.layout = _frame(rows, x_title, x_span, separators, left)
        for number, row in enumerate(rows):
            top = self.layout[f"yaxis{_number(number)}"]["domain"][1]
            at = {"xref": "paper", "x": 0, "xanchor": "left", "xshift": 8 - left, "yshift": 4}
            self._note(row.title, at, top, "paper")

    def _note(self, text: str, at: dict[str, Any], y: float, yref: str, yanchor: str = "bottom") -> None:
        note = {"text": figure_text(text), "showarrow": False, "y": y, "yref": yref, "yanchor": yanchor}
        self.notes.append({**note, **at})

    def _scatter(self, mode: str, row: int, x: Any, y: Any, name: str, **more: Any) -> None:
        place = {"x": x, "y": y, "yaxis": f"y{_number(row)}", "name": figure_text(name)}
        self.data.append({"type": "scatter", "mode": mode, **place, **more})

    def line(
        self,
        row: int,
        x: Any,
        y: Any,
        name: str,
        colour: str,
        *,
        dash: str = "solid",
        width: float = 1.6,
        steps: bool = False,
        value: str = "%{y}",
        legend: bool = True,
    ) -> None:
        """A line. dash: solid, dot or dash. steps: each value holds until the next. value: how the hover writes it."""
        pen = {"color": colour, "width": width, "dash": dash, "shape": "hv" if steps else "linear"}
        hover = f"{figure_text(name)}: {figure_text(value)}<extra></extra>"
        self._scatter("lines", row, x, y, name, showlegend=legend, connectgaps=False, line=pen, hovertemplate=hover)

    def band(self, row: int, x: Any, low: Any, high: Any, name: str, colour: str) -> None:
        """The area between low and high; where either is NaN there is none."""
        xs, ys = _outline(np.asarray(x), np.asarray(low, dtype=float), np.asarray(high, dtype=float))
        edge = {"color": colour, "width": 0}
        fill = {"fill": "toself", "fillcolor": _clear(colour, 0.22)}
        self._scatter("lines", row, xs, ys, name, **fill, line=edge, hoverinfo="skip")

    def marks(
        self,
        row: int,
        x: Any,
        y: Any,
        name: str,
        mark: Mark,
        *,
        words: Sequence[str],
        keys: Sequence[int] | None = None,
        size: int = 11,
        legend: bool = True,
    ) -> None:
        """Single points. words: what the hover says of each. keys: a number of each that the page can look up."""
        is_open = mark.symbol.endswith("-open")
        edge = {"width": 2.2, "color": mark.colour} if is_open else {"width": 1.4, "color": INK}
        marker = {"symbol": mark.symbol, "color": mark.colour, "size": size, "line": edge}
        more = _hover(words) if keys is None else {**_hover(words), "customdata": list(keys)}
        self._scatter("markers", row, x, y, name, showlegend=legend, marker=marker, **more)

    def bars(
        self,
        row: int,
        values: Sequence[float],
        at: Sequence[float],
        name: str,
        colour: str,
        *,
        base: Sequence[float] | None = None,
        hatched: bool = False,
        words: Sequence[str] | None = None,
        upright: bool = False,
        width: float = 0.62,
    ) -> None:
        """Bars, lying unless upright. base: where each begins. hatched: told apart without colour."""
        along, across = ("y", "x") if upright else ("x", "y")
        pattern = {"shape": "/" if hatched else "", "bgcolor": colour, "fgcolor": "#FFFFFF", "size": 7}
        self.data.append(
            {
                "type": "bar",
                "orientation": "v" if upright else "h",
                along: list(values),
                across: list(at),
                "base": [0.0] * len(values) if base is None else list(base),
                "width": width,
                "yaxis": f"y{_number(row)}",
                "name": figure_text(name),
                "marker": {"color": colour, "line": {"color": INK, "width": 1}, "pattern": pattern},
                "textposition": "none",
                **_hover([name] * len(values) if words is None else words),
            }
        )

    def _shape(self, kind: str, x: tuple[str, Any, Any], y: tuple[str, float, float], **more: Any) -> None:
        """x, y: what they refer to, from, to."""
        ends = dict(zip(("xref", "x0", "x1", "yref", "y0", "y1"), (*x, *y), strict=True))
        self.shapes.append({"type": kind, **ends, **more})

    def level(self, row: int, y: float, label: str, *, below: bool = False, narrow: str = "") -> None:
        """A labelled line across the row, for a threshold or a rating. narrow: the label where there is little room.

        The label stands on the line; below it where told so, or where it would run into the row's title.
        """
        ref = f"y{_number(row)}"
        foot, head = self.layout[f"yaxis{_number(row)}"]["range"]
        below = below or (y - foot) / (head - foot) > _HIGH
        self._shape("line", ("paper", 0, 1), (ref, y, y), line={"color": INK, "width": 1.6, "dash": "dash"})
        at = {"xref": "paper", "x": 1, "xanchor": "right"}
        if narrow:
            at["name"] = f"limit {figure_text(narrow)}"
        self._note(label, at, y, ref, "top" if below else "bottom")

    def label(self, row: int, x: Any, y: float, text: str) -> None:
        """Words in a row, beginning at x and standing on y."""
        self._note(text, {"xref": "x", "x": x, "xanchor": "left", "xshift": 2}, y, f"y{_number(row)}")

    def name_places(self, places: Sequence[float], names: Sequence[str], most: int) -> None:
        """Names on the horizontal axis in place of numbers; of many only each nth, so that there are at most `most`."""
        step = max(1, math.ceil(len(places) / most))
        self.layout["xaxis"] |= {
            "tickmode": "array",
            "tickvals": list(places[::step]),
            "ticktext": [figure_text(one) for one in names[::step]],
        }

    def moment(self, x: Any, label: str) -> None:
        """A vertical line through all rows, labelled at its foot."""
        self._upright(x, 0)
        at = {"xref": "x", "x": x, "xanchor": "left", "xshift": 4, "name": "moment"}
        self._note(label, at, 0.0, "paper")

    def fold(self, x0: Any, x1: Any, label: str) -> None:
        """Cut x0 to x1 out of the time axis; a dotted line under the label marks the cut."""
        self.layout["xaxis"].setdefault("rangebreaks", []).append({"bounds": [x0, x1]})
        last = x0 - np.timedelta64(1, "ms")  # the last instant that the axis still has
        self._upright(last, 22)
        at = {"xref": "x", "x": last, "xanchor": "center"}
        self._note(label, at, self.layout["yaxis"]["domain"][1], "paper", "top")
        self.shapes[-1]["name"] = self.notes[-1]["name"] = "fold"

    def _upright(self, x: Any, below_top: int) -> None:
        """A dotted vertical line through all rows that ends some pixels below their top."""
        top = self.layout["yaxis"]["domain"][1] - below_top / (self.layout["height"] - _FOOT)
        self._shape("line", ("x", x, x), ("paper", 0, top), line={"color": INK, "width": 1.6, "dash": "dot"})

    def span(self, x0: Any, x1: Any, colour: str) -> None:
        """A shaded stretch of all rows."""
        top = self.layout["yaxis"]["domain"][1]
        shade = {"fillcolor": _clear(colour, 0.14), "line": {"width": 0}, "layer": "below"}
        self._shape("rect", ("x", x0, x1), ("paper", 0.0, top), **shade)

    def count_time(self, *, relative: bool) -> None:
        """Make the horizontal axis one of time. relative: the days are numbered, since their dates are not known."""
        day = "day %-j" if relative else "%Y-%m-%d"
        self.layout["xaxis"] |= {
            "type": "date",
            "tickformatstops": [
                {"dtickrange": [None, 1000], "value": f"%H:%M:%S.%L\n{day}"},
                {"dtickrange": [1000, 60_000], "value": f"%H:%M:%S\n{day}"},
                {"dtickrange": [60_000, 86_400_000], "value": f"%H:%M\n{day}"},
                {"dtickrange": [86_400_000, None], "value": day},
            ],
        }

    def done(self) -> Picture:
        """The picture."""
        layout = {**self.layout, "shapes": self.shapes, "annotations": self.notes}
        return Picture(self.name, self.data, layout)


def _frame(rows: Sequence[Row], x_title: str, x_span: tuple[Any, Any], separators: str, left: int) -> dict[str, Any]:
    inner = sum(row.height + _TITLE for row in rows)
    layout: dict[str, Any] = {
        "height": inner + _FOOT,
        "margin": {"l": left, "r": 16, "t": 0, "b": _FOOT, "pad": 0},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT, "size": 13, "color": INK},
        "hovermode": "closest",
        "dragmode": "zoom",
        "showlegend": True,
        "barmode": "overlay",
        "separators": separators,
        "xaxis": {
            "anchor": f"y{_number(len(rows) - 1)}",
            "range": list(x_span),
            "title": {"text": x_title, "standoff": 22},
            "gridcolor": FAINT,
            "linecolor": INK,
            "ticks": "outside",
            "tickangle": 0,
            "zeroline": False,
            "automargin": False,
        },
    }
    done = 0
    for number, row in enumerate(rows):
        high = 1 - (done + _TITLE) / inner
        done += _TITLE + row.height
        axis: dict[str, Any] = {
            "domain": [max(0.0, 1 - done / inner), high],
            "range": list(row.span),
            "gridcolor": FAINT,
            "linecolor": INK,
            "zeroline": False,
            "fixedrange": True,
            "tickmode": "array",
        }
        ticks = row.labels or _numbers(row, separators[0])
        axis |= {"tickvals": list(ticks), "ticktext": [figure_text(words) for words in ticks.values()]}
        layout[f"yaxis{_number(number)}"] = axis
    return layout


def _numbers(row: Row, decimal: str) -> dict[float, str]:
    ticks = number_ticks(*row.span, max(2, row.height // 32 - 1))
    return {at: label.replace(".", decimal) for at, label in ticks}


def _hover(words: Sequence[str]) -> dict[str, Any]:
    return {"text": [figure_text(one) for one in words], "hovertemplate": "%{text}<extra></extra>"}


def _number(row: int) -> str:
    """Plotly's own counting: the first axis has no number, the second is 2."""
    return "" if row == 0 else str(row + 1)


def _clear(colour: str, alpha: float) -> str:
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha})"


def _outline(x: Any, low: Any, high: Any) -> tuple[Any, Any]:
    """Closed polygons, one for each stretch without NaN, divided by a NaN."""
    good = np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    xs: list[Any] = []
    ys: list[Any] = []
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        xs += [x[start:end], x[start:end][::-1], x[start : start + 1], x[start : start + 1]]
        ys += [low[start:end], high[start:end][::-1], low[start : start + 1], np.array([np.nan])]
    if not xs:
        return x[:0], low[:0]
    return np.concatenate(xs), np.concatenate(ys)
