"""A real headless Chromium; tests that need it are skipped where there is none."""

import shutil
from contextlib import contextmanager

import pytest


@contextmanager
def chromium(folder, *flags, device=None):
    """Open a browser that keeps its own things in `folder`; `device`: width, height and pixel ratio."""
    program, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (program and driver):
        pytest.skip("no chromium and chromedriver here: apt-get install chromium chromium-driver")
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in (
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-dev-shm-usage",
        f"--user-data-dir={folder}",
        *flags,
    ):
        options.add_argument(flag)
    if device:
        metrics = dict(zip(("width", "height", "pixelRatio"), device, strict=True))
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    opened = webdriver.Chrome(options, webdriver.ChromeService(driver))
    try:
        yield opened
    finally:
        opened.quit()
