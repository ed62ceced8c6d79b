"""In what condition a tool was recorded, however a sidecar writes it."""

from __future__ import annotations

LOADED = "loaded"
OFF = "off"  # makes a recording the background
_WITHOUT_LOAD = ("no load", "unloaded", "idle")


def plain_term(text: str | None) -> str | None:
    """Return a condition, position or accessory kind however it is written: "No-load" is "no load"."""
    return " ".join(text.casefold().replace("-", " ").replace("_", " ").split()) or None if text else None


def without_load(condition: str | None) -> bool:
    """Tell whether a condition says that the tool ran free."""
    return plain_term(condition) in _WITHOUT_LOAD


def is_off(condition: str | None) -> bool:
    """Tell whether a condition says that the tool was off: the recording is of the background."""
    return plain_term(condition) == OFF
