"""Rallies that were heard in a film gone through in a browser: by keys, by thumb, without scripts."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.urls import reverse
from playwright.sync_api import Browser, Locator, Page, expect

from reports.demo.scene import render_scene, scene_truth
from sessions import listening_words
from sessions.models import Film, Hearing, Rally, RallyProposal
from tests import factories as make
from tests.sessions.chain import make_chain
from tests.sessions.court_scene import make_film
from tests.sessions.moving import agree

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

FPS, SECONDS = 15, 24
# Half a picture: nothing is nearer than that.
NEAR = 0.5 / FPS


@cache
def content(seconds: int = SECONDS, width: int = 480, height: int = 270, fps: int = FPS) -> bytes:
    """The demo's film, drawn small, with its sound."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "match.webm"
        render_scene(path, None, width=width, height=height, fps=fps, end_s=seconds)
        return path.read_bytes()


def hits_of(rally: int, before_s: float = SECONDS) -> list[float]:
    return [hit["t"] for hit in scene_truth()["hits"] if hit["rally"] == rally and hit["t"] < before_s]


@pytest.fixture
def film(cast: Any, live_server: Any, settings: Any, tmp_path: Path) -> Film:
    """Two rallies as they were played, of the second one the end too late, and something that was none."""
    settings.MEDIA_ROOT = tmp_path / "media"
    chain = make_chain(cast)
    agree(chain.match)
    Rally.objects.all().delete()
    film = make_film(
        chain.match, duration_s=float(SECONDS), size=len(content()), frame_rate=FPS, audio_codec="opus"
    )
    film.file.save("scene.webm", ContentFile(content()), save=True)
    first, second = hits_of(1), hits_of(2)
    hearing = Hearing.objects.create(
        film=film, verdict="good", hits=[[at, "racket", 0.9] for at in sorted([*first, 10.4, *second])]
    )
    for start_s, end_s, sure in (
        (first[0], first[-1], 0.95),
        (10.2, 10.9, 0.3),
        (second[0], second[-1] + 1.5, 0.7),
        (23.0, 23.6, 0.55),
    ):
        RallyProposal.objects.create(hearing=hearing, start_s=start_s, end_s=end_s, confidence=sure)
    return film


def rows() -> list[RallyProposal]:
    return list(RallyProposal.objects.order_by("pk"))


@pytest.fixture
def listening(page: Page, live_server: Any, cast: Any, film: Film) -> Any:
    """Opens the page as a coach; errors of its scripts fail the test."""
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security" in line.text else None)
    come_in(page, live_server, cast)

    def open_it() -> Page:
        page.goto(live_server.url + reverse("listening", args=["seaside", film.uuid]))
        expect(page.locator("[data-part=tools]")).to_be_visible()
        page.wait_for_function("() => document.querySelector('video').readyState >= 2")
        return page

    yield open_it
    assert not errors


def come_in(page: Page, live_server: Any, cast: Any) -> None:
    cookie = cast.client(cast.assistant).cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])


def stands_at(page: Page, at_s: float) -> None:
    """The film has run up to a moment and stopped there by itself."""
    page.wait_for_function(
        "at => { const v = document.querySelector('video');"
        " return v.paused && !v.seeking && Math.abs(v.currentTime - at) < 0.005; }",
        arg=at_s,
        timeout=8000,
    )


def row(page: Page, number: int) -> Locator:
    return page.locator(f"tr[data-number='{number}']")


def current(page: Page, number: int) -> None:
    expect(page.locator("tr[aria-current=true]")).to_have_attribute("data-number", str(number))


def told(page: Page) -> Locator:
    return page.locator("[data-part=told]")


def test_by_keys_from_hit_to_hit_and_each_rally_decided(
    listening: Any, film: Film, look: Any, no_axe_violations: Any
) -> None:
    page = listening()
    keys = page.keyboard
    expect(page.locator("[data-part=count]")).to_have_text(
        "4 rallies proposed, 1 of them sure; 0 accepted so far."
    )
    first, second = hits_of(1), hits_of(2)
    keys.press("ArrowDown")
    current(page, 1)
    stands_at(page, first[0])
    expect(told(page)).to_contain_text("Rally 1, at 0:01, 7 s, 6 hits, sure, open.")
    for number, at_s in enumerate(first[1:3], 2):
        keys.press("ArrowRight")
        stands_at(page, at_s)
        expect(told(page)).to_contain_text(f"Hit {number} of {len(first)} of this rally")
    keys.press("ArrowLeft")
    stands_at(page, first[1])
    look(page, "listening")
    no_axe_violations(page)

    keys.press("1")
    expect(row(page, 1)).to_contain_text("accepted as rally 1")
    current(page, 2)
    stands_at(page, 10.4)
    expect(told(page)).to_contain_text("1 rally accepted. Rally 2")
    keys.press("2")
    expect(row(page, 2)).to_contain_text("dismissed")
    current(page, 3)
    stands_at(page, second[0])

    for _hit in second[1:]:
        keys.press("ArrowRight")
    stands_at(page, second[-1])
    keys.press("7")
    expect(row(page, 3)).to_contain_text("corrected; heard from")
    expect(page.locator("#times-end")).to_have_value(f"0:{second[-1]:06.3f}".rstrip("0"))
    assert rows()[2].end_s == pytest.approx(second[-1], abs=0.002)
    current(page, 3)

    keys.press("Backspace")
    expect(page.locator("#times-end")).to_have_value(f"0:{second[-1] + 1.5:06.3f}")
    assert rows()[2].end_s == pytest.approx(second[-1] + 1.5, abs=0.002)
    keys.press("Backspace")
    expect(row(page, 2)).to_contain_text("open")
    expect(told(page)).to_contain_text("1 rally is open again.")
    assert [one.state for one in rows()] == ["accepted", "open", "open", "open"]

    page.get_by_label("All that are at least").select_option(label="fairly sure")
    page.get_by_role("button", name="Accept them").click()
    expect(page.locator("[data-part=count]")).to_contain_text("3 accepted so far")
    assert [one.state for one in rows()] == ["accepted", "open", "accepted", "accepted"]
    rallies = list(Rally.objects.filter(dropped=False).order_by("start_s"))
    assert [rally.number for rally in rallies] == [1, 2, 3]
    assert rallies[0].start_s == pytest.approx(first[0], abs=0.002)
    expect(page.get_by_role("link", name="Open the sheet")).to_be_visible()
    page.keyboard.press("Backspace")
    expect(page.locator("[data-part=count]")).to_contain_text("1 accepted so far")
    assert Rally.objects.filter(dropped=False).count() == 1
    keys.press("?")
    expect(page.get_by_role("dialog")).to_contain_text("hit before, next hit")
    look(page, "listening-keys")
    no_axe_violations(page)


def test_sound_and_picture_are_put_together_in_one_step(listening: Any) -> None:
    page = listening()
    first = hits_of(1)
    page.keyboard.press("8")
    expect(told(page)).to_contain_text("Go to a hit first")
    page.keyboard.press("ArrowDown")
    stands_at(page, first[0])
    for number in (1, 2, 3):
        page.keyboard.press("4")
        stands_at(page, first[0] - number / FPS)
    page.keyboard.press("8")
    expect(page.locator("#listening-list")).to_contain_text("The sound is 0.2 s later than the picture")
    assert Hearing.objects.get().delay_s == pytest.approx(3 / FPS, abs=0.002)
    expect(page.locator("#delay-seconds")).to_have_value("0.200")
    page.keyboard.press("ArrowRight")
    stands_at(page, first[1] - Hearing.objects.get().delay_s)
    page.keyboard.press("Backspace")
    expect(page.locator("#listening-list")).to_contain_text("Sound and picture are together.")


def test_playing_on_goes_from_rally_to_rally(listening: Any) -> None:
    page = listening()
    page.keyboard.press("9")
    page.keyboard.press("9")
    expect(told(page)).to_have_text("Dead time is skipped.")
    RallyProposal.objects.filter(confidence__lt=0.5).delete()
    page.reload()
    page.wait_for_function("() => document.querySelector('video').readyState >= 2")
    end, begin = hits_of(1)[-1], hits_of(2)[0]
    page.evaluate("at => { document.querySelector('video').currentTime = at; }", end + 0.8)
    passed = page.evaluate(
        """async ([from, to]) => {
            const video = document.querySelector("video");
            const seen = [];
            document.querySelector("[data-act=toggle]").click();
            while (video.currentTime < to) {
                seen.push(video.currentTime);
                await new Promise((done) => setTimeout(done, 20));
            }
            video.pause();
            return seen.filter((at) => at > from && at < to);
        }""",
        [end + 1.15, begin - 1.55],
    )
    assert passed == [], passed


def test_a_new_rally_by_keys_and_keys_that_are_typed(listening: Any) -> None:
    page = listening()
    page.keyboard.press("Shift+Digit7")
    expect(told(page)).to_have_text("Say first where the new rally begins.")
    page.evaluate("document.querySelector('video').currentTime = 21.7")
    page.keyboard.press("Shift+Digit6")
    page.keyboard.press("Equal")
    page.wait_for_function("() => !document.querySelector('video').seeking")
    page.keyboard.press("Minus")
    page.evaluate("document.querySelector('video').currentTime = 22.6")
    page.keyboard.press("Shift+Digit7")
    expect(page.locator("tr[data-row]")).to_have_count(5)
    added = RallyProposal.objects.get(by_hand=True)
    assert (added.start_s, added.end_s) == pytest.approx((21.7, 22.6), abs=0.002)
    expect(page.locator("tr[aria-current=true]")).to_contain_text("by hand")
    page.locator("#times-start").click()
    page.keyboard.type("1278")
    assert {one.state for one in rows()} == {"open"}
    page.locator("#times-start").fill("nonsense")
    page.get_by_role("button", name="Correct the times").click()
    expect(page.get_by_role("alert")).to_contain_text("Write minutes and seconds")
    expect(page.locator("#times-start")).to_have_value("nonsense")
    page.get_by_label("Single keys act").uncheck()
    page.locator("[data-listening]").focus()
    page.keyboard.press("2")
    assert {one.state for one in rows()} == {"open"}


def test_by_thumb(listening: Any, look: Any, no_axe_violations: Any) -> None:
    page = listening()
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_text("Sound and picture are not together").click()
    page.get_by_text("Add a rally by hand").click()
    small = page.evaluate(
        """() => [...document.querySelectorAll('[data-listening] :is(button, select, summary, input, a)')]
            .filter(e => e.checkVisibility() && !e.closest('video') && e.type !== 'checkbox')
            .map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
            .filter(([, box]) => box.height < 43.5 || box.width < 43.5).map(([html]) => html)"""
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    page.get_by_role("button", name="Dismiss rally 2", exact=True).click()
    expect(row(page, 2)).to_contain_text("dismissed")
    page.get_by_role("button", name="Take back").click()
    expect(row(page, 2)).to_contain_text("open")
    look(page, "listening-thumb")
    no_axe_violations(page)


def test_without_scripts(browser: Browser, live_server: Any, cast: Any, film: Film) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    come_in(page, live_server, cast)
    page.goto(live_server.url + reverse("listening", args=["seaside", film.uuid]))
    expect(page.locator("[data-part=tools]")).to_be_hidden()
    page.get_by_role("button", name="Accept rally 1", exact=True).click()
    expect(row(page, 1)).to_contain_text("accepted as rally 1")
    page.get_by_role("link", name="Times of rally 3", exact=True).click()
    page.get_by_label("Ends at").first.fill("0:20")
    page.get_by_role("button", name="Correct the times").click()
    expect(row(page, 3)).to_contain_text("corrected; heard from")
    page.get_by_text("Add a rally by hand").click()
    page.locator("#add-start").fill("21")
    page.get_by_role("button", name="Add the rally").click()
    expect(page.get_by_role("alert").first).to_contain_text("Write minutes and seconds")
    expect(page.locator("#add-start")).to_have_value("21")
    context.close()


def test_back_again_it_goes_on_with_what_is_open(listening: Any, film: Film) -> None:
    page = listening()
    expect(told(page)).to_contain_text("Begin with the next rally")
    page.get_by_role("button", name="Next rally").click()
    stands_at(page, hits_of(1)[0])
    page.get_by_role("group", name="Decide on this rally").get_by_role("button", name="Accept").click()
    current(page, 2)
    page.get_by_role("group", name="Decide on this rally").get_by_role("button", name="Dismiss").click()
    current(page, 3)
    make.make_rally(film.match_films.get().match, number=2, start_s=22.9, end_s=23.9)
    page.reload()
    expect(told(page)).to_contain_text("1 rally is still to be decided")
    expect(row(page, 1)).to_contain_text("accepted as rally 1")
    expect(row(page, 2)).to_contain_text("dismissed")
    page.keyboard.press("ArrowDown")
    current(page, 3)
    stands_at(page, hits_of(2)[0])
    page.keyboard.press("ArrowDown")
    current(page, 4)
    page.keyboard.press("1")
    expect(told(page)).to_have_text("The match has this rally already.")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("2")
    expect(told(page)).to_have_text("1 rally dismissed. No later rally is open.")
    page.keyboard.press("ArrowUp")
    current(page, 2)
    page.keyboard.press("Backspace")
    current(page, 3)
    expect(told(page)).to_contain_text("Taken back. 1 rally is open again. Rally 3")
    stands_at(page, hits_of(2)[0])
    assert [one.state for one in rows()] == ["accepted", "dismissed", "open", "open"]


def test_on_a_phone_the_picture_stays_above_the_list(listening: Any) -> None:
    page = listening()
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("button", name="Next rally").click()
    expect(page.get_by_role("button", name="Next rally")).to_be_in_viewport()
    row(page, 4).scroll_into_view_if_needed()
    row(page, 4).get_by_role("link", name="4", exact=True).click()
    current(page, 4)
    expect(page.locator("video")).to_be_in_viewport(ratio=0.99)
    heights = page.evaluate(
        "() => [...document.querySelectorAll('tr[data-row]')].map(e => e.getBoundingClientRect().height)"
    )
    assert max(heights) < 130, heights
    page.get_by_role("link", name="Times of rally 4").click()
    expect(page.locator("#times-start")).to_be_focused()
    below = page.evaluate(
        """() => document.querySelector('#times-start').getBoundingClientRect().top
            - document.querySelector('video').getBoundingClientRect().bottom"""
    )
    assert below >= 0, below


HEARD_S = 132


def test_listened_to_and_told(listening: Any, film: Film, jobs_at_work: None) -> None:
    """Twelve rallies of the demo: heard on request, one corrected, the sure ones accepted as the match's rows."""
    Hearing.objects.all().delete()
    longer = content(HEARD_S, width=160, height=90, fps=5)
    film.file.save("longer.webm", ContentFile(longer), save=False)
    film.duration_s, film.size, film.frame_rate = float(HEARD_S), len(longer), 5
    film.save()
    played = [hits_of(number, HEARD_S) for number in range(1, 13)]
    page = listening()
    expect(page.locator("#listening-work")).to_contain_text("Nobody has listened to this film yet.")
    page.get_by_role("button", name="Listen to it").click()
    expect(page.locator("#listening-work")).to_contain_text("Found by ear", timeout=60_000)
    hearing = Hearing.objects.get()
    for sentence in listening_words.told(hearing):
        expect(page.locator("#listening-work")).to_contain_text(sentence)
    assert hearing.verdict == "good"
    proposed = list(hearing.proposals.all())
    assert 11 <= len(proposed) <= 13
    expect(page.locator("tr[data-row]")).to_have_count(len(proposed))
    expect(page.locator("[data-part=count]")).to_have_text(listening_words.count_of(proposed))
    right = [
        one
        for one in proposed
        if any(
            abs(one.start_s - hits[0]) < NEARLY_S and abs(one.end_s - hits[-1]) < NEARLY_S for hits in played
        )
    ]
    assert len(right) >= 10
    page.wait_for_function("() => document.querySelector('video').readyState >= 2")
    page.keyboard.press("ArrowDown")
    current(page, 1)
    stands_at(page, next(at for at in heard_hits(hearing) if at >= proposed[0].start_s - 0.04))

    page.keyboard.press("ArrowRight")
    second_hit = next(at for at in heard_hits(hearing) if at > proposed[0].start_s + 0.04)
    stands_at(page, second_hit)
    page.keyboard.press("6")
    expect(row(page, 1)).to_contain_text("corrected; heard from")
    page.get_by_label("All that are at least").select_option(label="fairly sure")
    page.get_by_role("button", name="Accept them").click()
    sure = [one for one in proposed if one.confidence >= listening_words.FAIRLY_SURE]
    assert len(sure) >= 8
    expect(page.locator("[data-part=count]")).to_contain_text(f"{len(sure)} accepted so far")

    expected = [(one.start_s, one.end_s) for one in sure]
    if proposed[0] in sure:
        expected[0] = (second_hit, proposed[0].end_s)
    lines = Rally.objects.filter(match=film.match_films.get().match, dropped=False)
    assert [rally.number for rally in lines] == list(range(1, len(sure) + 1))
    for rally, (start_s, end_s) in zip(lines, expected, strict=True):
        assert (rally.start_s, rally.end_s) == pytest.approx((start_s, end_s), abs=0.002)
        assert rally.winner == ""
    page.reload()
    expect(page.locator("[data-part=count]")).to_contain_text(f"{len(sure)} accepted so far")
    expect(row(page, 1)).to_contain_text("corrected; heard from")


# What a coach would call right without touching it.
NEARLY_S = 0.3


def heard_hits(hearing: Hearing) -> list[float]:
    return [at for at, kind, *_rest in hearing.hits if kind == "racket"]
