"""The listening page as people use it: by mouse, by keyboard, by screen reader."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from listening_samples import NAMES, RATE, large_page, many_page, wide_page
from playwright.sync_api import expect
from scipy import stats

pytestmark = pytest.mark.browser

LOUD = 10 ** (-24 / 20)

PROBE = """async () => {
  const code = `class Probe extends AudioWorkletProcessor {
    constructor() {
      super();
      this.least = Infinity;
      this.frames = 0;
      this.port.onmessage = () => this.port.postMessage([this.frames, this.least]);
    }
    process([[channel]]) {
      this.frames += 128;
      for (const sample of channel ?? [0]) this.least = Math.min(this.least, Math.abs(sample));
      return true;
    }
  }
  registerProcessor("probe", Probe);`;
  const url = "data:text/javascript," + encodeURIComponent(code);
  await player.context.audioWorklet.addModule(url);
  const node = new AudioWorkletNode(player.context, "probe");
  volumeNode.connect(node).connect(player.context.destination);
  window.readProbe = () => new Promise((heard) => {
    node.port.onmessage = (event) => heard(event.data);
    node.port.postMessage(null);
  });
}"""


def state(page, name):
    return page.evaluate(f"chainkitListening.{name}")


def wait_for(page, condition):
    page.wait_for_function(f"() => {{ const at = chainkitListening; return {condition}; }}")


def start(page):
    page.locator("#play").click()
    page.locator("#accept").click()
    wait_for(page, "at.playing && at.position > 0.05")


def focused(page):
    look = "document.activeElement.id || document.activeElement.textContent.slice(0, 40)"
    return page.evaluate(look)


def tab_to(page, wanted):
    """Press Tab until the element with this id or text has the focus."""
    seen = []
    while focused(page) != wanted:
        page.keyboard.press("Tab")
        seen.append(focused(page))
        assert len(seen) < 90, f"{wanted!r} is not among {seen}"


def faults(page):
    """What axe-core finds against WCAG 2.2 A and AA and its own best practices."""
    found = Axe().run(page).response["violations"]
    return [(fault["id"], [node["html"] for node in fault["nodes"]]) for fault in found]


# Playing


def test_the_first_play_asks_to_turn_the_level_down(visit, small):
    page = visit(small)
    page.locator("#play").click()
    expect(page.locator("#caution")).to_be_visible()
    assert page.evaluate("player.context === undefined")
    page.locator("#decline").click()
    expect(page.locator("#caution")).to_be_hidden()
    page.locator("#play").click()
    expect(page.locator("#caution")).to_be_visible()
    page.locator("#accept").click()
    wait_for(page, "at.playing && at.position > 0.05")
    page.locator("#play").click()
    page.locator("#play").click()
    expect(page.locator("#caution")).to_be_hidden()


def test_play_starts_low_and_is_never_louder_than_the_files(visit, small):
    page = visit(small)
    start(page)
    assert state(page, "gain") == pytest.approx(LOUD)
    page.locator("#volume").press("End")
    assert state(page, "gain") == 1
    page.keyboard.press("+")
    assert state(page, "gain") == 1
    page.locator("#volume").press("Home")
    assert state(page, "gain") == 0


def test_keys_switch_candidate_and_view_while_it_plays_on(visit, small):
    page = visit(small)
    start(page)
    before = state(page, "position")
    page.keyboard.press("3")
    wait_for(page, "at.entry === 3")
    page.keyboard.press("v")
    wait_for(page, "at.view === 'In the mix'")
    assert state(page, "playing")
    assert before < state(page, "position") < before + 10
    expect(page.locator("#status")).to_contain_text("No “shelf” at all, In the mix, 0:0")
    page.keyboard.press("t")
    wait_for(page, "at.entry === 1")


def test_arrow_keys_walk_through_the_candidates(visit, small):
    page = visit(small)
    page.locator("input[name=candidate]").first.focus()
    page.keyboard.press("ArrowDown")
    expect(page.locator("#heard-figure")).to_have_text("2")
    assert page.locator("input[name=candidate]").nth(1).is_checked()


def test_a_loop_is_drawn_with_the_mouse_and_played(visit, small):
    page = visit(small)
    start(page)
    box = page.locator("#wave").bounding_box()
    across = box["width"] / 12  # px for a second
    page.mouse.move(box["x"] + 6 * across, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 6.4 * across, box["y"] + 60, steps=3)
    page.mouse.up()
    assert state(page, "loop") == pytest.approx([6, 6.4], abs=1.5 / across)
    begin, end = state(page, "loop")
    wait_for(page, f"at.position >= {begin}")
    heard = page.evaluate("""() => new Promise((told) => {
      const heard = [];
      const look = setInterval(() => {
        heard.push(chainkitListening.position);
        if (heard.length === 60) { clearInterval(look); told(heard); }
      }, 20);
    })""")
    assert begin <= min(heard)
    assert max(heard) <= end
    assert sum(np.diff(heard) < 0) >= 2


def test_quick_steps_add_up_while_it_plays(visit, small):
    page = visit(small)
    start(page)
    before = state(page, "position")
    page.evaluate("[1, 2, 3].forEach(() => step(1))")
    assert state(page, "position") - before == pytest.approx(3, abs=0.5)


def test_a_loop_is_set_with_keys_and_fields(visit, small):
    page = visit(small)
    for _ in range(3):
        page.keyboard.press(".")
    page.keyboard.press("q")
    page.keyboard.press(".")
    page.keyboard.press("w")
    assert state(page, "loop") == [3, 4]
    page.locator("#loop-end").fill("5.25")
    page.locator("#loop-end").press("Enter")
    assert state(page, "loop") == [3, 5.25]
    page.locator("#looping").press("Space")
    assert state(page, "loop") is None
    page.locator("#clear-loop").click()
    expect(page.locator("#loop-begin")).to_have_value("")


def test_sibilants_are_within_reach_of_a_key(visit, small):
    page = visit(small)
    page.keyboard.press("s")
    page.keyboard.press("s")
    assert state(page, "position") == pytest.approx(4.3, abs=1e-3)
    expect(page.locator("#status")).to_contain_text("Sibilant 2 of 3")
    page.keyboard.press("Shift+S")
    assert state(page, "position") == pytest.approx(0.8, abs=1e-3)


def test_single_keys_rest_in_fields_and_when_told_to(visit, small):
    """WCAG 2.2, 2.1.4 Character Key Shortcuts."""
    page = visit(small)
    page.locator("#loop-begin").press("2")
    assert state(page, "entry") == 1
    page.locator("#single-keys").uncheck()
    page.keyboard.press("2")
    assert state(page, "entry") == 1


def test_pictures_have_words(visit, small):
    page = visit(small)
    wave = page.locator("#wave")
    expect(wave).to_have_attribute("aria-label", re.compile("Waveform of 0:12.0 with 3 sibilants"))
    first, second = page.locator("#curves canvas").all()
    expect(first).to_have_attribute("aria-label", re.compile("Reduction by eq: none overall"))
    expect(second).to_have_attribute(
        "aria-label", re.compile(r"Reduction by deess: greatest 6.0 dB, mean 3.5 dB overall")
    )
    page.locator("#loop-begin").fill("1.2")
    page.locator("#loop-end").fill("1.3")
    page.locator("#loop-end").press("Enter")
    expect(second).to_have_attribute(
        "aria-label", re.compile(r"Reduction by deess: greatest 6.0 dB in the loop, greatest at")
    )


def test_names_are_shown_as_text(visit, small):
    page = visit(small)
    assert page.locator(".candidates .name").all_inner_texts()[:3] == list(NAMES)
    page.keyboard.press("2")
    expect(page.locator("#heard-name")).to_have_text(NAMES[1])
    assert page.evaluate("window.taken") is None


def test_notes_name_the_candidates_they_are_about(visit, small):
    page = visit(small)
    told = page.get_by_role("list", name="Notes").get_by_role("listitem").all_inner_texts()
    shown = [" ".join(name.split()) for name in NAMES[:2]]
    assert told == [f"{'; '.join(shown)}: Its makeup ends at 48 dB", "All candidates: Dithered"]


def test_twins_are_called_the_same(visit, small):
    page = visit(small)
    notes = page.locator(".candidates .same").all_inner_texts()
    assert notes == ["The same audio as Shelf first: there is nothing to hear between them."]
    boxes = page.locator("input[name=among]")
    assert [box.is_checked() for box in boxes.all()] == [True, True, True, False]


def test_less_motion_moves_the_playhead_twice_a_second(visit, small):
    page = visit(small, reduced_motion="reduce")
    start(page)
    moves = page.evaluate("""() => new Promise((told) => {
      let moves = 0;
      new MutationObserver((changes) => (moves += changes.length))
        .observe(document.getElementById("playhead"), { attributeFilter: ["style"] });
      setTimeout(() => told(moves), 1500);
    })""")
    assert 1 <= moves <= 4


def test_a_missing_part_is_told(chromium, small, tmp_path):
    shutil.copytree(small.parent, tmp_path / "page")
    (tmp_path / "page" / "listen" / "0-0-1.js").unlink()
    page = chromium.new_page()
    page.goto((tmp_path / "page" / "index.html").as_uri())
    expect(page.locator("#fault")).to_contain_text("missing or damaged: listen/0-0-1.js")
    page.close()


# Access


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(visit, small, scheme):
    page = visit(small, color_scheme=scheme)
    assert faults(page) == []
    page.locator("#play").click()
    assert faults(page) == []
    page.locator("#accept").click()
    page.locator("input[value=identity]").check()
    assert faults(page) == []
    page.locator("#start-round").click()
    assert faults(page) == []
    page.locator("#answers button").first.click()
    page.locator("#round-end").click()
    expect(page.locator("#results")).to_be_visible()
    assert faults(page) == []


@pytest.mark.parametrize("width", [320, 640])
def test_nothing_runs_off_a_small_screen(visit, small, width):
    """WCAG 2.2, 1.4.10 Reflow: 320 px; 640 px is 1280 px at a zoom of 200 %."""
    page = visit(small)
    page.set_viewport_size({"width": width, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("#start-round").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert faults(page) == []


IN_SIGHT = """(ids) => ids.every((id) => {
  const { top, bottom } = document.getElementById(id).getBoundingClientRect();
  return top >= 0 && bottom <= innerHeight;
})"""


LINES = """(e) => {
  const range = document.createRange();
  range.selectNodeContents(e);
  return range.getClientRects().length;
}"""


def test_what_plays_stays_in_sight_of_thirty_candidates(visit, tmp_path, rng):
    page = visit(many_page(tmp_path / "many", rng))
    page.set_viewport_size({"width": 1400, "height": 900})
    twentieth = page.locator(".candidates label").nth(19)
    twentieth.scroll_into_view_if_needed()
    twentieth.click()
    assert page.evaluate(IN_SIGHT, ["play", "position", "views", "wave", "heard-name"])
    assert page.locator("#heard-figure").evaluate("(e) => e.innerText") == "20"
    assert page.locator("#heard-figure").evaluate(LINES) == 1
    # A key brings what it chooses into sight, and moves the list alone.
    before = page.evaluate("scrollY")
    page.keyboard.press("1")
    first, box = page.locator(".candidates label").first, page.locator("#list")
    assert first.bounding_box()["y"] >= box.bounding_box()["y"] - 1
    assert page.evaluate("scrollY") == before
    assert faults(page) == []


def test_paper_holds_thirty_candidates_abreast(visit, tmp_path, rng):
    page = visit(many_page(tmp_path / "many", rng))
    page.emulate_media(media="print")
    page.set_viewport_size({"width": PAPER, "height": 700})
    boxes = [label.bounding_box() for label in page.locator(".candidates label").all()]
    assert len({round(box["x"]) for box in boxes}) == 3
    height = page.evaluate("document.querySelector('.choice').getBoundingClientRect().height")
    assert height < 700  # one page


PAPER = round((297 - 2 * 10) / 25.4 * 96)  # px of an A4 sheet's length between 10 mm margins

CELLS = """() => [...document.querySelectorAll("#figures th, #figures td")].map((cell) => {
  const range = document.createRange();
  range.selectNodeContents(cell);
  const { left, right } = range.getBoundingClientRect();
  const box = cell.getBoundingClientRect();
  const number = cell.matches("td") ? cell.firstChild : null;
  if (number) range.selectNodeContents(number);
  const lines = number ? range.getClientRects().length : 1;
  const over = Math.max(box.left - left, right - box.right);
  return { over, from: box.left, to: box.right, lines };
})"""


@pytest.mark.parametrize("figures", [16, 30])
def test_paper_holds_all_figures(visit, tmp_path, rng, figures):
    """Each cell is on the sheet, what it says in the cell, and no number is broken."""
    page = visit(wide_page(tmp_path / "wide", rng, figures))
    page.set_viewport_size({"width": PAPER, "height": 700})
    page.emulate_media(media="print")
    cells = page.evaluate(CELLS)
    assert len(cells) == 7 * (1 + figures + 4)  # loudness and gain of two views
    assert min(cell["from"] for cell in cells) >= 0
    assert max(cell["to"] for cell in cells) <= PAPER + 0.5
    assert max(cell["over"] for cell in cells) <= 0.5
    assert {cell["lines"] for cell in cells} == {1}
    box = page.locator("#figures .scroll")
    assert box.evaluate("(box) => getComputedStyle(box).overflowX") == "visible"
    sheet = page.pdf(prefer_css_page_size=True)
    sizes = re.findall(rb"/MediaBox\s*\[0 0 ([0-9.]+) ([0-9.]+)\]", sheet)
    assert {(round(float(w) / 72 * 25.4), round(float(h) / 72 * 25.4)) for w, h in sizes} == {
        (297, 210)
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_is_white_and_has_nothing_to_press(visit, small, scheme):
    page = visit(small, color_scheme=scheme)
    page.wait_for_function("() => sheet.curves.length")
    page.emulate_media(media="print", color_scheme=scheme)
    ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert ground == "rgb(255, 255, 255)"
    for control in page.locator("button, input, select, label:has(> input[type=number])").all():
        kept = control.evaluate("(one) => one.checkVisibility() && !one.closest('.candidates')")
        assert not kept, control.evaluate("(one) => one.outerHTML")
    for part in ("#figures", "#candidates", "#wave", ".made"):
        expect(page.locator(part)).to_be_visible()


INKS = """() => matchMedia("print").addEventListener("change", ({ matches }) => {
  if (!matches) return;
  const { width, height } = byId("wave");
  const { data } = byId("wave").getContext("2d").getImageData(0, 0, width, height);
  window.inks = new Set();
  for (let n = 0; n < data.length; n += 4) window.inks.add([...data.slice(n, n + 4)].join());
})"""


def test_a_dark_waveform_is_drawn_anew_for_paper(visit, small):
    """In the ink of the light scheme: that of the dark one is pale on white."""
    page = visit(small, color_scheme="dark")
    page.wait_for_function("() => sheet.curves.length")
    page.evaluate(INKS)
    page.pdf()
    assert page.evaluate("window.inks.has('59,92,112,255')")


# Blind


def saved(page, text):
    """The file that a press of Enter on this button saves."""
    tab_to(page, text)
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    return download.value


def test_which_one_is_x_from_end_to_end_by_keyboard_alone(visit, small):
    page = visit(small)
    tab_to(page, "play")
    page.keyboard.press("Enter")
    tab_to(page, "accept")
    page.keyboard.press("Enter")
    wait_for(page, "at.playing")
    tab_to(page, "preference")
    page.keyboard.press("ArrowDown")
    tab_to(page, "trials")
    page.keyboard.press("Control+A")
    page.keyboard.type("6")
    tab_to(page, "start-round")
    page.keyboard.press("Enter")
    for trial in range(6):
        expect(page.locator("#round-title")).to_have_text(f"Trial {trial + 1} of 6")
        assert not state(page, "playing")
        page.keyboard.press("p")
        for letter in "bxa":
            page.keyboard.press(letter)
            wait_for(page, f"at.playing && at.entry === '{letter.upper()}'")
        tab_to(page, "X is A" if trial % 2 else "X is B")
        page.keyboard.press("Enter")
    expect(page.locator("#results")).to_be_visible()
    assert focused(page) == "results-title"
    report = json.loads(saved(page, "Save as JSON").path().read_text("utf-8"))
    text = saved(page, "Save as text").path().read_text("utf-8")
    check_identity(report, text, page.locator(".verdict").inner_text())


def check_identity(report, text, verdict):
    names = [" ".join(name.split()) for name in NAMES]
    for trial, answer in zip(report["trials"], "BABABA", strict=True):
        shown = trial["shown"]
        assert {shown["A"], shown["B"]} == set(names[:2])
        assert trial["answer"] == answer
        assert trial["right"] == (shown[answer] == shown["X"])
    right = sum(trial["right"] for trial in report["trials"])
    reference = stats.binomtest(right, 6, 0.5, alternative="greater").pvalue
    assert (report["right"], report["planned"], report["finished"]) == (right, 6, True)
    assert report["p"] == pytest.approx(reference, rel=1e-12)
    assert f"{right} of 6 answers right" in verdict
    assert verdict in text
    assert report["matching"][0] in text
    assert "Voice alone: −20.0 LUFS, all candidates within 0.04 LU." in report["matching"]


def test_the_page_tells_what_a_round_takes(visit, small):
    """Exact binomial tails: 3 · P(K ≥ 6 of 7; 1/3) = 0.021, 2 · P(K ≥ 8 of 9; 1/2) = 0.039."""
    page = visit(small)
    trials, note = page.locator("#trials"), page.locator("#trials-note")
    expect(trials).to_have_value("7")
    expect(note).to_contain_text("gets 6 of 7 picks less often than 1 time in 20")
    page.locator("input[name=among]").first.uncheck()
    expect(trials).to_have_value("9")
    expect(note).to_contain_text("gets 8 of 9 picks less often than 1 time in 20")
    trials.fill("5")
    trials.press("Tab")
    expect(note).to_contain_text("Too few trials: even if all picks go to one")
    page.locator("input[name=among]").first.check()
    expect(trials).to_have_value("5")
    page.locator("#identity").check()
    expect(trials).to_have_value("16")
    expect(note).to_contain_text("reaches 12 of 16 right less often than 1 time in 20")


def test_which_do_i_prefer(visit, small):
    page = visit(small)
    page.locator("#trials").fill("4")
    page.locator("#start-round").click()
    for pick in ("1", "2", "3"):
        page.keyboard.press(pick)
        page.locator("#prefer").click()
    page.get_by_role("button", name="No preference").click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as JSON").click()
    report = json.loads(download.value.path().read_text("utf-8"))
    picked = [trial["picked"] for trial in report["trials"]]
    most = max(tally["picked"] for tally in report["tallies"])
    reference = stats.binomtest(most, 3, 1 / 3, alternative="greater").pvalue
    assert [trial["answer"] for trial in report["trials"]] == ["A", "B", "C", None]
    assert picked == [
        trial["answer"] and trial["shown"][trial["answer"]] for trial in report["trials"]
    ]
    assert {tally["name"]: tally["picked"] for tally in report["tallies"]} == {
        name: picked.count(name) for name in report["candidates"]
    }
    assert report["picks"] == 3
    assert report["p"] == pytest.approx(min(1, 3 * reference), rel=1e-12)


def test_a_round_ended_early_has_no_p_value(visit, small):
    page = visit(small)
    page.locator("input[value=identity]").check()
    page.locator("#start-round").click()
    page.get_by_role("button", name="X is A").click()
    page.locator("#round-end").click()
    expect(page.locator(".verdict")).to_contain_text("ended early, so it has no p-value")


def test_a_round_needs_two_candidates_and_a_number_of_trials(visit, small):
    page = visit(small)
    page.locator("input[value=identity]").check()
    page.locator("#pair-1").select_option("0")
    page.locator("#start-round").click()
    expect(page.locator("#setup-fault")).to_have_text("Choose two different candidates at least.")
    page.locator("#pair-1").select_option("1")
    page.locator("#trials").fill("0")
    page.locator("#start-round").click()
    expect(page.locator("#setup-fault")).to_contain_text("whole number of trials from 1 to 100")
    assert state(page, "mode") == "open"


def test_twins_are_told_before_a_round_between_them(visit, small):
    page = visit(small)
    page.locator("#identity").check()
    expect(page.locator("#twins-note")).to_be_hidden()
    page.locator("#pair-1").select_option(str(len(NAMES)))
    expect(page.locator("#twins-note")).to_have_text(re.compile("These two are the same audio"))


def test_nothing_on_the_page_tells_who_is_who(visit, small):
    """The page's text and markup are the same whatever the letters stand for."""
    page = visit(small)
    start(page)
    page.keyboard.press("2")
    page.locator("#trials").fill("12")
    page.locator("#start-round").click()
    names = [*NAMES, *(" ".join(name.split()) for name in NAMES)]
    dealt, looks = set(), set()
    for trial in range(12):
        page.keyboard.press("p")
        page.keyboard.press("b")
        wait_for(page, "at.playing && at.entry === 'B'")
        page.keyboard.press("p")
        dealt.add(page.evaluate("player.heard.lane"))
        shown = page.evaluate("document.body.innerText") + page.title()
        assert not [name for name in names if name in shown]
        assert (
            page.locator("#figures, #candidates, #curves *, #views").locator("visible=true").count()
            == 0
        )
        looks.add(look(page, trial))
        page.locator("#prefer").click()
    assert len(dealt) > 1  # or there would have been nothing to tell
    assert len(looks) == 1


def look(page, trial):
    """All markup but what tells trial and time."""
    html = page.evaluate("document.body.outerHTML")
    html = re.sub(r"<script.*?</script>", "", html, flags=re.DOTALL)
    html = html.replace(f"Trial {trial + 1} of 12", "")
    return re.sub(r"\d:\d\d\.\d|translateX\(.*?\)|[\d.]+ seconds", "", html)


# Size


def test_twelve_candidates_of_four_minutes(visit, tmp_path, capsys):
    """The first two can be played soon; the rest load behind them, and the sound never breaks."""
    page = visit(
        large_page(tmp_path / "large", np.random.default_rng(5)), bypass_csp=True
    )  # the probe that listens is a script of its own
    wait_for(page, "at.loaded.includes('0-0-0') && at.loaded.includes('1-0-0')")
    ready = page.evaluate("performance.now()") / 1000
    order = state(page, "loaded")
    assert set(order[:2]) <= {"0-0-0", "1-0-0", "2-0-0"}  # three come at a time
    start(page)
    page.evaluate(PROBE)
    turn = 0
    while page.evaluate("chainkitListening.loaded.length") < 12 * 24:
        turn += 1
        page.keyboard.press(str(turn % 10))
        page.wait_for_timeout(150)
    complete = page.evaluate("performance.now()") / 1000
    frames, least = page.evaluate("readProbe()")
    assert state(page, "playing")
    assert state(page, "waits") == 0
    assert frames > RATE
    assert least > 0.19 * LOUD  # the files never come below 0.2
    with capsys.disabled():
        print(f"\n12 x 4 min: first two after {ready:.2f} s, all after {complete:.1f} s")
