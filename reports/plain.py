"""Text that came from outside, made harmless: no hidden direction marks, no control characters."""

from __future__ import annotations

import html
import re

# Explicit direction marks and isolates (Unicode Annex 9), invisible joiners and separators, C0 and C1 controls.
_HIDDEN = re.compile(
    "[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]"
)


def plain(text: str) -> str:
    """The text with every hidden character written out, for example [U+202E]; line breaks and tabs stay."""
    return _HIDDEN.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)


def figure_text(text: str) -> str:
    """Plain text for a figure's labels, which take a few HTML tags: none of them is left active."""
    return html.escape(plain(text), quote=False)


def css_string(text: str) -> str:
    """Plain text as a CSS string with its quotes, every sign that is no letter, digit or space escaped."""
    body = "".join(sign if sign.isalnum() or sign == " " else f"\\{ord(sign):06x}" for sign in plain(text))
    return f'"{body}"'
