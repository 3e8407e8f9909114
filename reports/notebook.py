"""An analysis shown in a notebook: the answer, the band and the standstills, as plain HTML without script."""

from __future__ import annotations

import html

from idle_stop.analysis import Analysis
from reports.figures.band import standstill_band
from reports.parts.when import standstill_table
from reports.plain import plain
from reports.static_svg import static_svg
from reports.summary import cause, what_first, what_happened
from reports.view import view_of

_ROWS = 12


def notebook_html(analysis: Analysis, *, language: str = "en") -> str:
    """A short HTML fragment; the whole page is `reports.vehicle.vehicle_page`."""
    view = view_of(analysis, language)
    say = view.say
    found, sure = cause(analysis, say)
    lines = [what_first(analysis, say), *([f"{found}. {sure}"] if found else [])]
    body = [
        f"<h3>{_text(analysis.vehicle)}</h3>",
        f"<p><strong>{_text(what_happened(analysis, say))}</strong></p>",
        *(f"<p>{_text(line)}</p>" for line in lines),
    ]
    if view.account.standstills:
        body.append(static_svg(standstill_band(view), say("Standstills by outcome")))
        frame = standstill_table(view).to_frame().head(_ROWS)
        body.append(frame.to_html(index=False, escape=True, border=0, na_rep=""))
    return f'<div style="max-width:52rem">{"".join(body)}</div>'


def show_in_notebooks() -> None:
    """Let every `Analysis` show itself in a notebook; called once by the API."""
    setattr(Analysis, "_repr_html_", notebook_html)  # noqa: B010 - the class lives left of this stage and has no such method


def _text(words: str) -> str:
    return html.escape(plain(words))
