"""What every document owes its reader, whatever the result: plain JSON, numbers that are numbers, notices that say."""

from __future__ import annotations

import json
import re
from typing import Any

from vibekit.errors import Notice

_CODE = re.compile(r"[a-z][a-z0-9_]*")


def sound(document: dict[str, Any], name: str) -> dict[str, Any]:
    """Return a document after holding it to the contract: name, version, JSON without NaN, notices in words."""
    assert (document["document"], document["version"]) == (name, 1)
    assert list(document)[:2] == ["document", "version"]
    assert list(document)[-1] == "notices"
    json.dumps(document, allow_nan=False)
    for notice in document["notices"]:
        assert set(notice) == {"code", "severity", "message", "value", "limit", "remedy"}
        said(Notice(**notice))
    return document


def said(notice: Notice) -> Notice:
    """Return a notice after holding it to its form: a code, a known severity, a message of words, a remedy or none."""
    assert _CODE.fullmatch(notice.code), notice
    assert notice.severity in ("info", "caution", "refusal"), notice
    in_words(notice.message)
    if notice.remedy is not None:
        in_words(notice.remedy)
    return notice


def in_words(text: str) -> None:
    """Require words a person reads: no blank, no Python, no number that is not one."""
    assert len(text.split()) > 1, text
    assert not re.search(r"\b(None|nan|inf|True|False)\b", text), text


def notice_of(notices: Any, code: str) -> Notice:
    """Return the one notice of a code."""
    (found,) = (n for n in notices if n.code == code)
    return said(found)
