"""A page around its parts: templates, style, scripts, and a policy under which nothing else runs or loads."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from reports.language import Language
from reports.legend import legend_of
from reports.packed import packed, script_json
from reports.plain import css_string, plain
from reports.static_svg import static_svg

# A number and its unit stay on one line.
_BEFORE_UNIT = re.compile(r"(\d) (?=(?:%|°C|[mk]?V|m?A|mΩ|A?h|Ah|min|[sdK]|km)(?!\w))")


@lru_cache
def _asset(name: str) -> str:
    return files("reports").joinpath(f"static/{name}").read_text("utf-8")


def environment(package: str, finalize: Callable[[Any], Any], **known: Any) -> Any:
    """Jinja's environment for a package's templates. finalize: what every value passes. known: to every template."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=finalize,
    )
    made.globals.update(as_json=script_json, **known)
    return made


@lru_cache
def _environment() -> Any:
    return environment("reports", _harmless, drawn=static_svg, legend=legend_of, packed=packed)


def _harmless(value: Any) -> Any:
    """Every string loses its hidden signs and keeps units beside numbers; what is markup already was made here."""
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return _BEFORE_UNIT.sub("\\1\u00a0", plain(value))


def render(
    template: str,
    *,
    say: Language,
    title: str,
    foot: str,
    with_pictures: bool = True,
    extra: Sequence[str] = (),
    **values: Any,
) -> str:
    """One self-contained HTML page. title: for the browser and the foot of each printed page. foot: beside it.

    with_pictures: it has pictures to work with. extra: names of a style sheet and a script that only this page needs.
    """
    scripts = ["page.js", *(f"{name}.js" for name in extra)]
    if with_pictures:
        scripts.insert(0, "plotly-basic.min.js")
    texts = [_asset(name) for name in scripts]
    style = "".join(_asset(f"{name}.css") for name in ("page", *extra)) + _foot_style(title, foot, say)
    page: str = (
        _environment()
        .get_template(template)
        .render(
            say=say,
            title=title,
            policy=_policy(texts, style),
            style=Markup(style),  # noqa: S704 - our own file, and strings escaped by css_string
            scripts=[Markup(text) for text in texts],  # noqa: S704 - our own files
            words=_script_words(say),
            **values,
        )
    )
    return page


def _policy(scripts: list[str], style: str) -> str:
    """Nothing is loaded from anywhere; only these very scripts and this very style count.

    Plotly adds an empty style element and fills it through the object model, which the policy's empty text allows.
    """
    runs, clothes = (" ".join(f"'sha256-{_digest(text)}'" for text in texts) for texts in (scripts, [style, ""]))
    parts = ["default-src 'none'", f"script-src {runs}", f"style-src {clothes}", "img-src data:"]
    return "; ".join([*parts, "base-uri 'none'", "form-action 'none'"])


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _foot_style(title: str, foot: str, say: Language) -> str:
    page, of = css_string(say("Page") + " "), css_string(" / ")
    return (
        "@page{"
        f"@bottom-left{{content:{css_string(title[:80])}}}"
        f"@bottom-center{{content:{css_string(foot)}}}"
        f"@bottom-right{{content:{page} counter(page) {of} counter(pages)}}"
        "}"
    )


def _script_words(say: Language) -> dict[str, str]:
    """What the script writes, in the reader's language."""
    return {
        "csv": say("Save as CSV"),
        "copy": say("Copy"),
        "copied": say("Copied"),
        "sort": say("Sort by {column}", column="%s"),
        "day": say("day {n}", n="%s"),
        "dark": say("Dark"),
        "light": say("Light"),
        "failed": say("This picture could not be drawn for working with; the drawing above shows the same."),
    }
