"""Makes the README's pictures from a demo's folder: python docs/pictures/make.py longhold-demo

Needs rsvg-convert for the monitor's PNG, and the font Fira Code for even columns.
"""

from __future__ import annotations

import asyncio
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tui.monitor import Monitor
from tui.wiring import attach

HERE = Path(__file__).parent
SIZE = (110, 36)
BACK = 25  # steps of a hundredth of the run: into the second hold


async def _monitor(run: Path) -> str:
    app = Monitor([attach(run)], poll_s=None)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        for _ in range(BACK):
            await pilot.press("left")
        await pilot.pause()
        return app.export_screenshot(title="longhold watch")


def main(demo: Path) -> None:
    """Write monitor.png and plan.png beside this file."""
    # rsvg-convert drops spaces at the start of a text unless told to keep them
    svg = asyncio.run(_monitor(demo / "run.h5")).replace("<text ", '<text xml:space="preserve" ')
    with tempfile.NamedTemporaryFile("w", suffix=".svg", encoding="utf-8") as f:
        f.write(svg)
        f.flush()
        subprocess.run(["rsvg-convert", "-w", "1200", f.name, "-o", str(HERE / "monitor.png")], check=True)
    shutil.copyfile(demo / "plan.png", HERE / "plan.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
