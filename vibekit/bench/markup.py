"""HTML and SVG as text, escaped by construction: what is not `Html` already is data, never markup."""

from __future__ import annotations

import html
from collections.abc import Callable, Collection, Iterable

_PLAIN = "\n\u00a0"  # line end and no-break space, which are not "printable" but harmless
_VOID = frozenset({"meta", "link", "br", "hr", "col", "wbr"})
_EMPTY_SVG = frozenset({"line", "path", "rect", "circle"})


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


def escape(text: object) -> Html:
    """Return any value as text for a page; control and direction characters are shown as escapes."""
    if isinstance(text, Html):
        return text
    shown = "".join(c if c.isprintable() or c in _PLAIN else c.encode("unicode_escape").decode() for c in str(text))
    return Html(html.escape(shown, quote=True))


def join(parts: Iterable[object | None], between: str = "") -> Html:
    """Return parts as one piece of markup; None is left out."""
    return Html(between.join(escape(part) for part in parts if part is not None))


def el(name: str, /, *children: object | None, **attributes: object) -> Html:
    """Return an element; children that are not `Html` are escaped, so are attribute values.

    `class_` loses its underscore, in other names it becomes a hyphen; None leaves an attribute out, True stands alone.
    """
    written = "".join(_attribute(key, value) for key, value in attributes.items() if value is not None)
    if name in _VOID:
        return Html(f"<{name}{written}>")
    inside = join(children)
    if name in _EMPTY_SVG and not inside:
        return Html(f"<{name}{written}/>")
    return Html(f"<{name}{written}>{inside}</{name}>")


def _attribute(key: str, value: object) -> str:
    name = key.rstrip("_") if key.endswith("_") else key.replace("_", "-")
    return f" {name}" if value is True else f' {name}="{escape(value)}"'


def heading(level: int) -> Callable[[str], Html]:
    """Return a function that makes headings of a level (1 to 6)."""
    return lambda text: el(f"h{min(level, 6)}", text)


def table(
    caption: str, headings: Iterable[object], rows: Iterable[Iterable[object]], numbers: Collection[int] = range(1, 99)
) -> Html:
    """Return a table that scrolls sideways where it is too wide; the first cell of a row heads it.

    `numbers` are the columns that hold numbers; cells of the others are marked, being the fewer.
    """

    def kind(i: int) -> str | None:
        return None if i == 0 or i in numbers else "words"

    head = el("tr", *(el("th", heading, scope="col", class_=kind(i)) for i, heading in enumerate(headings)))
    body = []
    for row in rows:
        first, *others = row
        cells = [el("td", cell, class_=kind(i)) for i, cell in enumerate(others, 1)]
        body.append(el("tr", el("th", first, scope="row"), *cells))
    inner = el("table", el("caption", el("span", caption)), el("thead", head), el("tbody", *body))
    return el("div", inner, class_="wide", role="group", aria_label=caption, tabindex="0")


def facts(rows: Iterable[tuple[object, object | None]]) -> Html:
    """Return a list of terms and what is known of them; rows without a value are left out."""
    return el("dl", *(join([el("dt", term), el("dd", value)]) for term, value in rows if value is not None))
