"""Text for tags: one line, composed, without anything invisible that could mislead or break a reader."""

from __future__ import annotations

import unicodedata

LONGEST = 4096


def clean(text: str, longest: int = LONGEST) -> str:
    """Give the text in NFC with control and direction characters gone and blanks single.

    Line breaks and tabs become blanks; lone surrogates and what comes after `longest` characters go.
    """
    text = text[: 4 * longest]  # a huge field costs no more than a large one
    kept = "".join(" " if char.isspace() else char for char in text if _is_kept(char))
    return unicodedata.normalize("NFC", " ".join(kept.split()))[:longest].rstrip()


def _is_kept(char: str) -> bool:
    if char.isspace():
        return True
    category = unicodedata.category(char)
    if category == "Cf":
        return char in "\u200c\u200d"  # joiners that some scripts need
    return category not in {"Cc", "Cs", "Co", "Cn"}
