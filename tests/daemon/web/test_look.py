"""What every page has in common: in a browser no date is broken over two lines."""

import pytest

from daemon.web.look import STYLE, unbroken
from tests.rigs.parts.browser import chromium

DAY = "2026-11-28"
LINES = """return [...document.querySelectorAll('p')].map(it => {
  const words = document.createTreeWalker(it, NodeFilter.SHOW_TEXT), tops = [];
  for (let text = words.nextNode(); text; text = words.nextNode())
    for (let at = 0; at < text.length; at++) {
      const range = document.createRange();
      range.setStart(text, at); range.setEnd(text, at + 1);
      if (/[0-9-]/.test(range.toString())) tops.push(Math.round(range.getBoundingClientRect().top));
    }
  return new Set(tops).size;
})"""


def test_only_text_is_taken_in():
    kept = f'<input value="{DAY}"><style>a{{--b:{DAY}}}</style><svg><text>{DAY}</text></svg>'
    kept += f'<script>"{DAY}"</script>'
    assert unbroken(kept) == kept
    assert unbroken(f'<p title="{DAY}">until {DAY} 08:30, 12026-11-281') == (
        f'<p title="{DAY}">until <span class="day">{DAY}</span> 08:30, 12026-11-281'
    )


@pytest.mark.parametrize("unbreaks", [unbroken, str])
def test_a_date_stands_on_one_line_however_narrow_the_page_is(tmp_path, unbreaks):
    """Without it the browser breaks at the hyphens, so that the test can fail."""
    lines = "".join(f'<p style="width: {width}em">{"a" * 4} {DAY} b</p>' for width in range(4, 14))
    page = tmp_path / "page.html"
    page.write_text(f"<!doctype html><style>{STYLE}</style>{unbreaks(lines)}")
    with chromium(tmp_path) as browser:
        browser.get(page.as_uri())
        broken = max(browser.execute_script(LINES))
    assert broken == (1 if unbreaks is unbroken else 2)
