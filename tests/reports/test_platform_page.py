"""The page of a platform: complete, harmless, self-contained; what is missing is told with its cost."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

import signal_defs
from idlewhy.cli.main import main
from reports.language import Language
from reports.platform_page import platform_page
from signal_defs.costs import COSTS, missing
from signal_defs.load import load_platform
from signal_defs.roles import ROLES

SHIPPED = Path(signal_defs.__file__).parent / "platforms"
NAMES = ("example-van", "example-hatch", "open-standard")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("language", ["en", "de"])
def test_the_page_holds_every_role_condition_and_message_used(name: str, language: str) -> None:
    platform = load_platform(name)
    page = platform_page(platform, language=language)
    for role, binding in platform.bindings.items():
        assert role in page
        assert binding.source in page
        assert f"0x{platform.bus(binding.bus).message(binding.message).identifier:X}" in page
    for condition in platform.idle_stop.conditions:
        assert Language(language).name(condition.name).replace("'", "&#39;") in page
    assert f'<html lang="{language}">' in page
    assert not re.search(r"(?:src|href)=\"(?!#)", page), "nothing is loaded from anywhere"
    assert page == platform_page(platform, language=language)


def test_what_is_missing_stands_there_with_its_cost() -> None:
    platform = load_platform("example-hatch")
    page = platform_page(platform)
    lost = missing(platform.bindings)
    assert "vehicle_speed" in {role for one in lost for role in one.any_of}
    for one in lost:
        assert str(one.cost).replace("'", "&#39;") in page


def test_a_platform_with_everything_misses_nothing() -> None:
    assert missing(ROLES) == []


def test_the_costs_name_roles_that_there_are() -> None:
    assert {role for one in COSTS for role in one.any_of} <= set(ROLES)


def test_what_a_platform_says_of_itself_cannot_become_markup(tmp_path: Path) -> None:
    folder = tmp_path / "car"
    shutil.copytree(SHIPPED / "example-hatch", folder)
    file = folder / "platform.toml"
    text = file.read_text(encoding="utf-8")
    title = '"<script>alert(1)</script>"'
    file.write_text(re.sub(r"^title = .*", f"title = {title}", text, flags=re.MULTILINE), encoding="utf-8")
    page = platform_page(load_platform(folder))
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_a_model_year_shows_what_it_takes_from_the_platform_below(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    year = tmp_path / "van-next"
    year.mkdir()
    (year / "platform.toml").write_text(
        f'schema = 1\nid = "van-next"\ntitle = "Next year\'s van"\nextends = "{SHIPPED / "example-van"}"\n'
        '[[idle_stop.condition]]\nname = "state of charge"\nat_least = 80.0\n',
        encoding="utf-8",
    )
    page = tmp_path / "van.html"
    assert main(["platform", "show", str(year), "-o", str(page)]) == 0
    shown = capsys.readouterr().out
    assert "Laid over" in shown
    row = next(line for line in shown.splitlines() if line.startswith("state of charge"))
    assert "battery_soc at least 80, 3 to recover" in row
    assert "van-next, line" in row
    row = next(line for line in shown.splitlines() if line.startswith("engine_speed"))
    assert "example-van, line" in row
    assert "What comes from where?" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(("name", "scheme", "width"), [("example-van", "light", 1440), ("example-hatch", "dark", 360)])
def test_axe_finds_nothing_on_the_page_of_a_platform(
    browser: Browser, tmp_path: Path, name: str, scheme: Literal["light", "dark"], width: int
) -> None:
    file = tmp_path / "platform.html"
    file.write_text(platform_page(load_platform(name)), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.goto(file.as_uri())
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()
    assert not complaints
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing scrolls sideways"
    page.close()
