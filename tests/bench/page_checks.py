"""Reading a page as a browser or a screen reader would, and a browser to try it in where there is one."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

# HTML Living Standard, 13.1.2: elements without an end tag
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


@dataclass
class Element:
    """One element with its attributes, the names of those around it, and the text directly or deeper inside."""

    name: str
    attributes: dict[str, str | None]
    around: tuple[str, ...]
    text: str = ""


@dataclass
class Page(HTMLParser):
    """All elements of a page in order; raises where a tag is closed that is not open."""

    elements: list[Element] = field(default_factory=list)
    _open: list[Element] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def __hash__(self) -> int:
        return id(self)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> has an attribute twice: {names}"
        element = Element(tag, dict(attrs), tuple(e.name for e in self._open))
        self.elements.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert any(e.name == "svg" for e in self._open), f"<{tag}/> outside a drawing"
        self.elements.append(Element(tag, dict(attrs), tuple(e.name for e in self._open)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open and self._open[-1].name == tag, f"</{tag}> closes {self._open[-1:]}"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element.text += data

    def named(self, *names: str) -> list[Element]:
        """Return the elements of these names, in order."""
        return [e for e in self.elements if e.name in names]


def parsed(text: str) -> Page:
    """Return a page's elements; every element is closed in its turn."""
    page = Page()
    page.feed(text)
    page.close()
    assert not page._open, f"never closed: {[e.name for e in page._open]}"
    return page


def check_structure(text: str) -> Page:
    """Assert what every page must keep: order of headings, named drawings, headed tables, nothing from outside."""
    page = parsed(text)
    assert text.startswith("<!DOCTYPE html>")
    assert page.named("html")[0].attributes["lang"] == "en"
    assert len(page.named("h1")) == 1
    assert len(page.named("title")) > 0
    levels = [int(e.name[1]) for e in page.named("h1", "h2", "h3", "h4", "h5", "h6")]
    assert all(after <= before + 1 for before, after in pairwise(levels)), levels
    ids = [e.attributes["id"] for e in page.elements if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    for element in page.elements:
        for pointing in ("aria-labelledby", "aria-describedby"):
            for target in (element.attributes.get(pointing) or "").split():
                assert target in ids
        href = element.attributes.get("href")
        assert href is None or href == "data:," or (href[0] == "#" and href[1:] in ids)
        assert not {"src", "style", "srcset", "action"} & set(element.attributes)
        assert not any(name.startswith("on") for name in element.attributes)
    _check_drawings_and_tables(page)
    assert not re.search(r"url\(|@import|fetch\(|XMLHttpRequest|WebSocket", text)
    return page


def _check_drawings_and_tables(page: Page) -> None:
    for drawing in page.named("svg"):
        if "svg" in drawing.around:
            continue
        assert drawing.attributes.get("role") == "img" or drawing.attributes.get("aria-hidden") == "true"
        if drawing.attributes.get("role") == "img":
            assert {"aria-labelledby", "aria-describedby"} <= set(drawing.attributes)
    assert all(e.attributes.get("scope") in ("col", "row") for e in page.named("th"))
    assert len(page.named("caption")) == len(page.named("table"))
    assert all(e.text.strip() for e in page.named("caption", "h1", "h2", "h3", "h4", "h5", "summary", "dt", "dd", "th"))


def chromium() -> str:
    """Return the browser's path; skips the test where there is none, or nothing to drive it with."""
    pytest.importorskip("playwright.sync_api")
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if found is None:
        pytest.skip("no chromium here")
    return found


@contextmanager
def shown(path: Path, width: int = 1100, **context: Any) -> Iterator[Any]:
    """Open a page in headless Chromium; afterwards nothing was logged on its console and nothing fetched."""
    executable = chromium()
    from playwright.sync_api import sync_playwright

    said: list[str] = []
    asked: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=executable, args=["--no-sandbox", "--disable-gpu"])
        tab = browser.new_context(viewport={"width": width, "height": 800}, **context).new_page()
        tab.on("console", lambda message: said.append(message.text))
        tab.on("pageerror", lambda error: said.append(str(error)))
        tab.on("request", lambda request: asked.append(request.url))
        tab.goto(path.absolute().as_uri(), timeout=120_000)  # a busy machine takes its time
        yield tab
        browser.close()
    assert said == []
    assert asked == [path.absolute().as_uri()]
