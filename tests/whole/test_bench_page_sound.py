"""What the Bench page sounds and says."""

from __future__ import annotations

from playwright.sync_api import BrowserContext, expect

from tests.whole.at_the_bench import Bench
from tests.whole.browser import wait_for


def test_four_answers_sound_clearly_different(server, context: BrowserContext):
    context.add_init_script(
        """globalThis.tones = [];
           const start = OscillatorNode.prototype.start;
           OscillatorNode.prototype.start = function (when) {
             tones.push(`${this.type} ${this.frequency.value}`); return start.call(this, when); };
           const set = AudioParam.prototype.setValueAtTime;
           AudioParam.prototype.setValueAtTime = function (value, when) {
             if (value > 20) tones.push(`from ${value}`); return set.call(this, value, when); };"""
    )
    page = context.new_page()
    page.goto(f"{server.url}/bench/sounds")
    page.click("text=Settings")
    heard = {}
    for name in ("kept", "complete", "taken back", "refused"):
        page.evaluate("tones.length = 0")
        page.click(f'[data-sound="{name}"]')
        wait_for(page, "tones.length > 0")
        heard[name] = tuple(page.evaluate("tones"))
    assert len(set(heard.values())) == 4, heard


def test_the_result_is_said_aloud_and_can_be_silenced(server, context: BrowserContext):
    context.add_init_script(
        """globalThis.said = [];
           SpeechSynthesis.prototype.speak = (words) => said.push(words.text);"""
    )
    page = context.new_page()
    at = Bench(server, page, "spoken")
    at.start(unit="in", baseline="8.026", tolerance_deg="0.5")
    at.open()
    at.press("0.475", unit="in")
    at.press("0.482", unit="in")
    wait_for(page, "said.length > 0")
    said = page.evaluate("said.at(-1)")
    assert "0.025 degrees, leans right" in said
    page.click("text=Settings")
    page.uncheck("#speech-on")
    page.evaluate("said.length = 0")
    at.press("0.475", unit="in")
    at.press("0.490", unit="in")
    at.state("pair complete: strip 2")
    at.next("strip 3")
    expect(page.locator("#figure")).to_contain_text("2 strips")
    assert page.evaluate("said") == []
    page.reload()
    expect(page.locator("#speech-on")).not_to_be_checked()
