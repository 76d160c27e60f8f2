"""A stretch of time is looked at closer and wider by mouse, fingers and keys, at the page and in a report.

Touches are those of the browser itself (DevTools protocol, Input.dispatchTouchEvent), the mouse and the keys
those of WebDriver. What is expected is worked out from where the fingers are, not from the script.
"""

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.actions.wheel_input import ScrollOrigin
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from daemon.page.axis import LEFT, RIGHT, WIDTH
from daemon.page.vessel import LEAST_MS, SPANS
from tests.daemon.page.test_pages import PHONE, errors_in, scrolls_sideways
from tests.rigs.page_rack import HOUR_MS, NINE, page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for

DAY_MS = SPANS["1d"]


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rack")
    with page_rack(folder, vessels=NINE[:1], days=0.5, polls_a_turn=60) as rack, served(rack) as at:
        yield f"{at}/vessel/k1"


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("desk"), "--window-size=1280,1000") as opened:
        yield opened


@pytest.fixture(scope="module")
def phone(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("phone"), device=PHONE) as opened:
        yield opened


class Shown:
    """What a browser shows of a vessel's time."""

    def __init__(self, browser, address, span="1d"):
        self.browser = browser
        errors_in(browser)
        browser.get(f"{address}?span={span}")
        self.region.parent.execute_script("arguments[0].scrollIntoView({block: 'center'})", self.region)
        self.first = self.now

    @property
    def region(self):
        return self.browser.find_element(By.CSS_SELECTOR, "#time .wide")

    @property
    def now(self):
        """From when to when."""
        return tuple(
            self.browser.execute_script(
                "const its = document.getElementById('time').dataset; return [+its.from, +its.to]"
            )
        )

    def x(self, share):
        """Where in the window a share of the time that is shown stands."""
        box = self.browser.execute_script(
            "const box = document.querySelector('.axis').getBoundingClientRect();"
            "return [box.left, box.width, box.top + box.height / 2]"
        )
        return round(box[0] + box[1] * (LEFT + share * (RIGHT - LEFT)) / WIDTH), round(box[2])

    def becomes(self, first, last, off=0.02):
        """Wait until so much of what was shown at first is: parts of it."""
        begun, wide = self.first[0], self.first[1] - self.first[0]
        wanted = begun + first * wide, begun + last * wide
        wait_for(lambda: all(abs(a - b) <= off * wide for a, b in zip(self.now, wanted, strict=True)), 20)
        assert errors_in(self.browser) == []

    def touch(self, kind, *places):
        points = [dict(zip("xy", place, strict=True)) for place in places]
        self.browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def test_what_is_dragged_over_is_shown_alone_and_can_be_gone_back_to_by_a_link(address, desk):
    shown = Shown(desk, address)
    (x, y), (to, _) = shown.x(0.5), shown.x(0.75)
    drag = ActionChains(desk, duration=20)
    drag.w3c_actions.pointer_action.move_to_location(x, y).pointer_down().move_to_location(to, y)
    drag.perform()
    box = desk.execute_script("return document.querySelector('.chosen').getBoundingClientRect().toJSON()")
    assert (box["left"], box["right"]) == pytest.approx((x, to), abs=2)
    up = ActionChains(desk, duration=20)
    up.w3c_actions.pointer_action.pointer_up()
    up.perform()
    shown.becomes(0.5, 0.75)
    assert "?from=" in desk.current_url, "the address is that of what is seen"
    desk.refresh()
    shown.becomes(0.5, 0.75)
    desk.find_element(By.LINK_TEXT, "earlier").click()
    shown.becomes(0.25, 0.5)
    desk.find_element(By.LINK_TEXT, "now").click()
    wait_for(lambda: shown.now[1] - shown.now[0] == DAY_MS)


def test_a_click_leaves_it_as_it_is_and_two_look_closer(address, desk):
    shown = Shown(desk, address)
    x, y = shown.x(0.4)
    click = ActionChains(desk, duration=20)
    click.w3c_actions.pointer_action.move_to_location(x, y).click()
    click.perform()
    assert shown.now == shown.first
    two = ActionChains(desk, duration=20)
    two.w3c_actions.pointer_action.move_to_location(x, y).double_click()
    two.perform()
    shown.becomes(0.2, 0.7)


def test_the_wheel_looks_closer_where_the_mouse_is_once_the_drawing_was_chosen(address, desk):
    shown = Shown(desk, address)

    def turn(by):
        x, y = shown.x(0.6)
        ActionChains(desk).scroll_from_origin(ScrollOrigin.from_viewport(x, y), 0, by).perform()

    turn(-240)
    assert shown.now == shown.first, "the page was scrolled, and no more"
    desk.execute_script("arguments[0].focus()", shown.region)
    turn(-240)
    shown.becomes(0.3, 0.8)
    turn(240)
    shown.becomes(0, 1, off=0.04)


def test_keys_look_closer_wider_and_go_along_and_the_drawing_keeps_the_focus(address, desk):
    shown = Shown(desk, address)
    shown.region.send_keys("+")
    shown.becomes(0.25, 0.75)
    shown.region.send_keys(Keys.ARROW_LEFT)
    shown.becomes(0.125, 0.625)
    assert desk.switch_to.active_element == shown.region
    shown.region.send_keys(Keys.ARROW_RIGHT * 1)
    shown.becomes(0.25, 0.75)
    desk.find_element(By.CSS_SELECTOR, "button[aria-label=wider]").send_keys(Keys.ENTER)
    shown.becomes(0, 1)
    assert desk.switch_to.active_element.get_attribute("aria-label") == "wider"
    slider = desk.find_element(By.CSS_SELECTOR, "#time input")
    slider.send_keys(Keys.ARROW_LEFT)
    assert "temperature" in desk.find_element(By.TAG_NAME, "output").text, "it is read out as before"


@pytest.mark.parametrize(
    ("start", "stop", "becomes"),
    [((0.7, 0.8), (0.6, 0.9), (0.5, 0.5 + 1 / 3)), ((0.6, 0.9), (0.7, 0.8), (-2.0, 1.0))],
)
def test_two_fingers_hold_the_moments_that_they_touched(address, phone, start, stop, becomes):
    """Between the fingers lies what lay there; the end is now at the latest, and the length is kept."""
    shown = Shown(phone, address)
    steps = [[shown.x(a + (b - a) * step / 4) for a, b in zip(start, stop, strict=True)] for step in range(5)]
    shown.touch("touchStart", *steps[0])
    for step in steps[1:]:
        shown.touch("touchMove", *step)
    shown.touch("touchEnd")
    shown.becomes(*becomes, off=0.1)  # a pixel between fingers is much where they end close together
    assert not scrolls_sideways(phone)


def test_two_fingers_above_each_other_leave_the_length_as_it_is(address, phone):
    shown = Shown(phone, address)
    x, y = shown.x(0.7)
    shown.touch("touchStart", (x, y - 30), (x, y + 30))
    shown.touch("touchMove", (x - 1, y - 40), (x + 1, y + 40))
    shown.touch("touchEnd")
    wait_for(lambda: "?from=" in phone.current_url, 20)
    shown.becomes(0, 1)


def test_two_taps_look_closer_and_one_does_not(address, phone):
    """The browser makes the taps itself, so that no busy machine stretches the time between them."""
    shown = Shown(phone, address)
    x, y = shown.x(0.7)

    def tap(times):
        how = {"x": x, "y": y, "duration": 30, "tapCount": times, "gestureSourceType": "touch"}
        phone.execute_cdp_cmd("Input.synthesizeTapGesture", how)

    tap(1)
    assert shown.now == shown.first
    tap(2)
    wait_for(lambda: shown.now[1] - shown.now[0] == pytest.approx(DAY_MS / 2, abs=2000), 20)
    shown.becomes(0.35, 0.85)


def test_buttons_look_closer_at_the_middle_of_what_a_phone_shows(address, phone):
    shown = Shown(phone, address)
    phone.find_element(By.CSS_SELECTOR, "button[aria-label=closer]").click()
    wait_for(lambda: shown.now[1] - shown.now[0] == pytest.approx(DAY_MS / 2, abs=2000), 20)
    assert shown.now[0] > shown.first[0] + DAY_MS / 4, "a phone shows the newest part of it"


@pytest.mark.parametrize(("query", "length_ms"), [
    ("from={0}&to={0}", LEAST_MS),
    ("from=0&to={0}", SPANS["5y"]),
    ("from={1}&to={0}", 2 * HOUR_MS),
    ("from={0}&to={1}", LEAST_MS),
    ("from=x&to={0}", LEAST_MS),
    ("from={1}&to=9999999999999", None),
])  # fmt: skip
def test_whatever_stretch_is_asked_for_it_ends_now_at_the_latest_and_is_of_a_length_that_can_be_drawn(
    address, desk, query, length_ms
):
    now_ms = Shown(desk, address).now[1]
    desk.get(f"{address}?{query.format(now_ms, now_ms - 2 * HOUR_MS)}")
    its = desk.execute_script(
        "const its = document.getElementById('time').dataset; return [+its.from, +its.to]"
    )
    assert its[1] <= now_ms + 60_000
    assert its[1] - its[0] == length_ms or length_ms is None
    assert "temperature" in desk.page_source


def test_an_answer_without_a_drawing_is_said_and_what_was_seen_stays(address, phone):
    shown = Shown(phone, address)
    phone.execute_script("history.replaceState(null, '', '/vessel/nobody')")  # that page there is not
    shown.region.send_keys("+")
    wait_for(lambda: "that time cannot be shown" in phone.find_element(By.ID, "lost").text, 20)
    assert shown.now == shown.first
    errors_in(phone)  # the browser's word on a page that there is not


def test_a_server_that_answers_no_more_is_said_and_what_was_seen_stays(tmp_path, phone):
    with page_rack(tmp_path, vessels=NINE[:1], days=0.1) as rack:
        with served(rack) as at:
            shown = Shown(phone, f"{at}/vessel/k1")
        shown.region.send_keys("+")
        wait_for(lambda: "that time cannot be shown" in phone.find_element(By.ID, "lost").text, 20)
        assert shown.now == shown.first
