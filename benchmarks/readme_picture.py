"""`python -m benchmarks.readme_picture`: the picture in the README, the first screen of a demo vehicle's page.

Simulates the demo, analyses one vehicle's logs, and writes fixtures/pictures/report.png, 1200 pixels wide.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from idle_stop.analysis import analyse
from idlewhy.demo import make_logs
from reports.vehicle import vehicle_page

VEHICLE = "van-02"  # five trips and a night, refused for lack of charge: the band and the first check say it all
PICTURE = Path(__file__).parents[1] / "fixtures" / "pictures" / "report.png"
WIDTH, HEIGHT = 1200, 1060
MOST_BYTES = 200_000


def page_of(vehicle_id: str, folder: Path) -> Path:
    """The demo vehicle's page, written into a folder."""
    vehicle = next(one for one in make_logs(folder) if one.id == vehicle_id)
    analysis = analyse(vehicle.logs, vehicle.platform, vehicle=vehicle.id)
    page = folder / f"{vehicle_id}.html"
    page.write_text(vehicle_page(analysis), encoding="utf-8")
    return page


def photograph(page: Path, picture: Path) -> None:
    """The first screen of a page as a picture."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        tab = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        tab.goto(page.as_uri())
        tab.wait_for_selector("#picture-band.is-live .scatterlayer .point")
        tab.wait_for_timeout(300)
        picture.parent.mkdir(parents=True, exist_ok=True)
        tab.screenshot(path=picture)
        browser.close()


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        photograph(page_of(VEHICLE, Path(folder)), PICTURE)
    size = PICTURE.stat().st_size
    print(f"{PICTURE.name}: {size / 1000:.0f} kB")
    if size > MOST_BYTES:
        raise SystemExit(f"The picture is over {MOST_BYTES / 1000:.0f} kB: make the screen smaller.")


if __name__ == "__main__":
    main()
