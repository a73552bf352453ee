"""Text from outside made safe to print: no control or format characters."""

from __future__ import annotations

import unicodedata


def plain(text: str) -> str:
    """Replace control and format characters, lest a name steer a terminal or forge a line."""
    if text.isprintable():
        return text
    return "".join("\ufffd" if unicodedata.category(c)[0] == "C" else c for c in text)
