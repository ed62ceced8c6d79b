"""The page: figures that are known from elsewhere, structure, hostile names, and in a browser where there is one."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.bench.page_checks import Page, check_structure, parsed, shown
from tests.bench.tools import write_run
from vibekit.bench.analysis import fingerprint
from vibekit.bench.report import report_page
from vibekit.bench.report_collect import collect, look
from vibekit.bench.report_words import headline, how_harsh, likelihood, why
from vibekit.recording.readers import open_recording
from vibekit.simulate import simulate


def page_of(*paths: Path, title: str | None = None) -> str:
    return report_page(collect([look(open_recording(path), fingerprint(path)) for path in paths], title))


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("one")
    session = simulate(
        seed=3, duration_s=9, faults={"imbalance.accessory": 60.0}, off_before_s=2, position="rear handle"
    )
    path = session.write(folder, "run")
    (folder / "run.html").write_text(page_of(path))
    return path


@pytest.fixture(scope="module")
def page_text(simulated: Path) -> str:
    return simulated.with_suffix(".html").read_text()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    runs = [
        write_run(folder, f"{tag}-{run}", tag, a_hv * (1 + 0.01 * run), seed=run, condition="loaded", run=run)
        for tag, a_hv in (("T-1", 2.4), ("T-2", 9.0))
        for run in (1, 2, 3)
    ]
    (folder / "bench.html").write_text(page_of(*runs, title="Spring check"))
    return folder / "bench.html"


def rows(page: Page, caption: str) -> list[list[str]]:
    """Return the text of a table's cells, row by row."""
    found: list[list[str]] = []
    inside = False
    for element in page.elements:
        if element.name == "table":
            inside = caption in element.text
        elif inside and element.name == "tr":
            found.append([])
        elif inside and element.name in ("th", "td"):
            found[-1].append(element.text)
    return found


def test_figures_are_those_of_the_signal(tmp_path: Path) -> None:
    """A line of known amplitude and printed |Wh| (tests/references/wh_spot.csv): a_hv 5.00 m/s² by construction.

    ISO 5349-1:2001 eq. 2: T = 8 h·(2.5/5)² = 2 h to the action value and 8 h to the limit value.
    """
    path = write_run(tmp_path, "one", "T-1", 5.0)
    looked = look(open_recording(path), fingerprint(path))
    page = parsed(report_page(collect([looked])))
    cells = rows(page, "Weighted magnitudes")[1]
    assert float(cells[5]) == pytest.approx(5.0, rel=0.004)
    times = rows(page, "Trigger time per day")[1]
    assert times[1].startswith(("2 h 00", "1 h 59"))
    assert times[2].startswith(("8 h 0", "7 h 59"))
    assert "between" in times[1]


def test_the_level_plot_marks_the_recordings_own_a_hv(tmp_path: Path) -> None:
    """A steady line: its running second is a_hv itself, so that the marked line lies where the curve ends."""
    text = page_of(write_run(tmp_path, "one", "T-1", 5.0))
    plot = text[text.index('<title id="t1r1-level-t"') :]
    marked = re.search(r'class="reference" x1="0" x2="100%" y1="([\d.]+)%"', plot)
    drawn = re.search(r'class="curve ink" d="M\d+ (\d+)l([^"]*)"', plot)
    assert marked and drawn
    steps = [int(n) for n in re.findall(r"-?\d+", drawn[2])]
    assert float(marked[1]) == pytest.approx((int(drawn[1]) + sum(steps[1::2])) / 10, abs=0.3)


def test_a_time_never_stands_bare(page_text: str, bench: Path) -> None:
    for text in (page_text, bench.read_text()):
        for line in re.findall(r"Trigger time per day to the action value \([^)]*\): [^;<]*", text):
            assert "between" in line or "at least" in line or "more than a day" in line


def test_structure(page_text: str, bench: Path, tmp_path: Path) -> None:
    check_structure(page_text)
    check_structure(bench.read_text())
    check_structure(page_of(write_run(tmp_path, "one", "T-1", 5.0)))


def test_size(page_text: str) -> None:
    assert len(page_text.encode()) < 400_000


def test_headline_answers_the_five_questions_first(page_text: str) -> None:
    page = parsed(page_text)
    assert [e.text for e in page.named("dt")][:5] == [
        "What it is",
        "How harsh",
        "How long",
        "Why it shakes",
        "How sure",
    ]
    first_table = next(i for i, e in enumerate(page.elements) if e.name == "table")
    first_answer = next(i for i, e in enumerate(page.elements) if e.name == "dd")
    assert first_answer < first_table


def test_the_parts_that_a_page_must_have(page_text: str) -> None:
    titles = [e.text for e in parsed(page_text).named("h2")]
    for title in ("How it was measured", "What was not measured", "Cautions", "How sure"):
        assert title in titles
    for words in ("screening aid", "Local law", "unguarded or plugged in", "common practice, no source"):
        assert words in page_text


def test_the_same_recording_gives_the_same_page(simulated: Path, page_text: str) -> None:
    assert page_of(simulated) == page_text


def test_the_policy_lets_only_the_pages_own_script_and_style_run(page_text: str) -> None:
    """Content Security Policy Level 3, 6.7.2.2: a hash source matches the SHA-256 of the element's text."""
    page = parsed(page_text)
    policy = next(e for e in page.named("meta") if e.attributes.get("http-equiv")).attributes["content"] or ""
    scripts = [e for e in page.named("script") if e.attributes.get("type") != "application/json"]
    assert policy.startswith("default-src 'none'")
    for element in [*page.named("style"), *scripts]:
        digest = base64.b64encode(hashlib.sha256(element.text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert len(scripts) == 1


HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&\u202e{0}%s"


def test_hostile_names_are_text(tmp_path: Path) -> None:
    sheet = json.dumps(HOSTILE)  # a JSON string is a TOML string as well
    renamed = write_run(tmp_path, "x", "T-1", 5.0).rename(tmp_path / "<b onmouseover=alert(3)>&.wav")
    renamed.with_suffix(".toml").write_text(
        f'[recording]\nfull_scale = "500 m/s2"\ntool = "T-1.tool.toml"\n'
        f"condition = {sheet}\nposition = {sheet}\noperator = {sheet}\n[sensor]\nmounting = {sheet}\n"
    )
    (tmp_path / "T-1.tool.toml").write_text(
        f"[tool]\ntag = {sheet}\nkind = {sheet}\nsupply = {sheet}\n[[shaft]]\nname = {sheet}\nrated_rpm = 4775\n"
        f"[accessory]\nshaft = {sheet}\nkind = {sheet}\n"
    )
    text = page_of(renamed, title=HOSTILE)
    page = check_structure(text)
    assert not page.named("img", "b onmouseover")
    assert len([e for e in page.named("script") if e.attributes.get("type") != "application/json"]) == 1
    assert "\u202e" not in text
    assert "alert(1)" in page.named("h1")[0].text
    for data in page.named("script"):
        if data.attributes.get("type") == "application/json":
            json.loads(data.text)


def test_a_recording_that_cannot_be_graded_says_so_and_why(tmp_path: Path) -> None:
    path = write_run(tmp_path, "short", "T-1", 5.0)
    looked = look(open_recording(path, stop_s=1.5), fingerprint(path))
    page = parsed(report_page(collect([looked])))
    answers = dict(zip([e.text for e in page.named("dt")], [e.text for e in page.named("dd")], strict=True))
    assert answers["How harsh"].startswith("Cannot be graded.")
    assert "too short" in answers["How harsh"]
    assert "What would help" in answers["How harsh"]
    assert "No trigger time" in answers["How long"]
    check_structure(report_page(collect([looked])))


@pytest.mark.parametrize(
    ("share", "word"),
    [(0.995, "virtually certain"), (0.92, "very likely"), (0.7, "likely"), (0.4, "about as likely as not")],
)
def test_words_for_probability(share: float, word: str) -> None:
    """IPCC guidance note on uncertainties (Mastrandrea et al. 2010), Table 1 (from memory)."""
    assert likelihood(share) == word


def finding(fault: str, probability: float, **changes: Any) -> dict[str, Any]:
    usual = {
        "fault": fault,
        "probability": probability,
        "severity": "marked",
        "where": "spindle",
        "evidence": [
            {
                "line": "spindle 1x",
                "order": 1.0,
                "frequency_hz": 95.0,
                "amplitude_mps2": 3.2,
                "over_floor_db": 31.0,
                "axis": "y",
                "supports": True,
            }
        ],
        "rivals": [{"fault": "spindle.bent", "separated_by": "another accessory"}],
        "look_for": "uneven mass",
    }
    return usual | changes


def with_findings(simulated: Path, *findings: dict[str, Any]) -> Any:
    report = collect([look(open_recording(simulated), fingerprint(simulated))])
    diagnosis = {
        "findings": list(findings),
        "not_testable": [{"fault": "gear.wear", "reason": "no teeth on the sheet"}],
        "verdict": "accessory out of balance",
        "notices": [],
    }
    return replace(report, tools=(replace(report.tools[0], diagnosis=diagnosis),))


def test_unsure_stays_unsure(simulated: Path) -> None:
    sure = with_findings(simulated, finding("imbalance.accessory", 0.93), finding("healthy", 0.05))
    unsure = with_findings(simulated, finding("imbalance.accessory", 0.4), finding("bushing.worn", 0.35))
    assert why(sure.tools[0]).startswith("Accessory out of balance, at spindle, marked: very likely (93 %).")
    assert why(unsure.tools[0]).startswith("Not settled.")
    assert "40 %" in why(unsure.tools[0])
    clean = with_findings(simulated, finding("healthy", 0.8))
    assert why(clean.tools[0]).endswith("likely (80 %). 1 kind of fault cannot be told from these recordings.")
    assert "worn plain bushing (35 %)" in why(unsure.tools[0])


@pytest.mark.parametrize(
    ("a_hv", "doubt", "words"),
    [
        (2.0, 0.4, "even eight hours of it a day stay below the action value"),
        (2.0, 0.6, "whether eight hours of it a day stay below the action value cannot be told"),
        (4.0, 0.5, "the action value falls within a working day, the limit value later"),
        (7.0, 1.0, "the limit value falls within a working day"),
    ],
)
def test_what_a_magnitude_means_for_a_day(simulated: Path, a_hv: float, doubt: float, words: str) -> None:
    """Directive 2002/44/EC Art. 3: 2.5 and 5 m/s² over 8 h; told only as far as the doubt lets it be told."""
    part = with_findings(simulated).tools[0]
    summary = {**part.summaries[0], "a_hv_mps2": a_hv, "expanded_uncertainty_mps2": doubt}
    assert words in how_harsh(replace(part, summaries=(summary,)))


def test_a_low_magnitude_does_not_soothe_beside_a_severe_fault(simulated: Path) -> None:
    severe = with_findings(simulated, finding("gear.tooth", 0.9, severity="severe")).tools[0]
    low = {**severe.summaries[0], "a_hv_mps2": 1.0, "expanded_uncertainty_mps2": 0.1}
    said = how_harsh(replace(severe, summaries=(low,)))
    assert "a severe fault is likely" in said and "mild" not in said
    slight = with_findings(simulated, finding("gear.tooth", 0.9), finding("bushing.worn", 0.1, severity="severe"))
    assert "severe" not in how_harsh(slight.tools[0])


def test_findings_with_evidence_rivals_and_what_cannot_be_told(simulated: Path) -> None:
    both = with_findings(simulated, finding("imbalance.accessory", 0.93), finding("gear.tooth", 0.02))
    page = check_structure(report_page(both))
    assert "Accessory out of balance" in [e.text for e in page.named("h3")]
    assert "93 %, very likely. If so: marked, at spindle." in [e.text for e in page.named("p")]
    assert rows(page, "Evidence: accessory")[1][:2] == ["spindle 1x", "for"]
    assert "bent output spindle (to tell them apart: another accessory)" in [e.text for e in page.named("dd")]
    assert rows(page, "Looked for and unlikely")[1][:2] == ["Chipped or broken tooth", "2 %"]
    assert rows(page, "What these recordings cannot tell")[1][1] == "no teeth on the sheet"


def test_a_bench_shows_each_tool_and_the_order_with_its_doubt(bench: Path) -> None:
    page = check_structure(bench.read_text())
    assert page.named("h1")[0].text == "Spring check"
    assert [e.text.split(",")[0] for e in page.named("h2")][2:4] == ["T-1", "T-2"]
    ranked = rows(page, "Place 1 shakes least")
    assert [row[0] for row in ranked[1:]] == ["T-1", "T-2"]
    assert float(ranked[1][2]) == pytest.approx(2.4 * 1.02, rel=0.005)
    assert rows(page, "How sure the order is")[1] == ["T-1", "T-2", "over 99 %", "told apart"]


def test_headline_is_the_pages_own(simulated: Path, page_text: str) -> None:
    report = collect([look(open_recording(simulated), fingerprint(simulated))])
    told = [e.text for e in parsed(page_text).named("dd")][:5]
    assert told == [answer for _, answer in headline(report.tools[0])]


def relative_luminance(colour: str) -> float:
    """WCAG 2.1, definition of relative luminance."""
    channels = [int(c) / 255 for c in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, definition of contrast ratio."""
    light, dark = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_browser_letters_stand_out(simulated: Path, page_text: str, scheme: str) -> None:
    """WCAG 2.1, 1.4.3: text 4.5 to 1; 1.4.11: what a drawing needs to be understood 3 to 1."""
    read = "([selector, name]) => getComputedStyle(document.querySelector(selector))[name]"
    with shown(simulated.with_suffix(".html"), color_scheme=scheme) as tab:
        paper = tab.evaluate(read, ["body", "backgroundColor"])
        for selector, name in (
            (".short dd", "color"),
            (".short dt", "color"),
            ("figcaption", "color"),
            (".tick", "fill"),
        ):
            assert contrast(paper, tab.evaluate(read, [selector, name])) >= 4.5
        for selector, name in ((".bar.axis-x", "stroke"), (".bar.axis-y", "stroke"), (".curve.ink", "stroke")):
            assert contrast(paper, tab.evaluate(read, [selector, name])) >= 3.0
        assert (relative_luminance(paper) > 0.5) == (scheme == "light")


@pytest.mark.parametrize("width", [360, 1100])
def test_browser_nothing_runs_off_the_side(simulated: Path, page_text: str, bench: Path, width: int) -> None:
    for path in (simulated.with_suffix(".html"), bench):
        with shown(path, width) as tab:
            tab.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
            assert tab.evaluate("document.documentElement.scrollWidth") <= width


def test_browser_cursor_by_keyboard_and_pointer(simulated: Path, page_text: str) -> None:
    with shown(simulated.with_suffix(".html")) as tab:
        slider = tab.locator('input[aria-label*="Spectrum"]')
        output = slider.locator("xpath=following-sibling::output")
        slider.focus()
        tab.keyboard.press("PageUp")
        assert "spindle" in output.text_content()
        assert "m/s²" in output.text_content()
        assert slider.get_attribute("aria-valuetext") == output.text_content()
        before = output.text_content()
        tab.keyboard.press("ArrowRight")
        assert output.text_content() != before
        tab.keyboard.press("End")
        assert "NaN" not in output.text_content()
        assert "not known" not in output.text_content()
        chart = tab.locator("svg.chart").first
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        tab.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        told = tab.locator(".cursor output").first.text_content()
        assert told.startswith("trigger time in the day 4.0")


def test_browser_on_paper_and_without_script(simulated: Path, page_text: str) -> None:
    with shown(simulated.with_suffix(".html")) as tab:
        tab.emulate_media(media="print")
        assert tab.locator(".cursor").first.is_hidden()
        assert tab.locator("svg.chart").first.is_visible()
    with shown(simulated.with_suffix(".html"), java_script_enabled=False) as tab:
        assert tab.locator(".cursor").count() == 0
        assert tab.locator("svg.chart").first.is_visible()
