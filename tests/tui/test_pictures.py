"""Pictures: whole PNG files whose axes hold the data that they were given."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from tui import pictures
from tui.pictures import Hold, Tension


def hold(spoke: str, shift: float) -> Hold:
    since = np.geomspace(2.0, 28_800.0, 60)
    ahead = np.geomspace(28_800.0, 30 * 86_400.0, 20)
    curve = 1.4 + shift + 0.1 * np.log10(since)
    middle = 1.4 + 0.1 * np.log10(ahead)
    return Hold(
        spoke=spoke, load_N=1500.0, since_s=since, measured_mm=curve, fitted_mm=curve, ahead_s=ahead,
        ahead_mm=np.array([middle - 0.05, middle, middle + 0.05]),
    )  # fmt: skip


HOLDS = [hold(f"K07-{i:02d}", 0.02 * i) for i in range(1, 4)]
STEPS: list[dict[str, Any]] = [
    {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1040, "right": 720}},
    {"kind": "touch", "at_h": 3.0, "tension_N": {"left": 1030, "right": 715}},
    {"kind": "pass", "at_h": 15.0, "tension_N": {"left": 1000, "right": 700}},
    {"kind": "deliver", "at_h": 48.0},
]


def tension(level_N: float) -> Tension:
    t = np.geomspace(0.1, 720.0, 50)
    m = level_N * (1 - 0.02 * np.log10(1 + t))
    return Tension(time_h=t, low_N=m - 20, middle_N=m, high_N=m + 20)


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """Every figure that a picture is made from."""
    made: list[Figure] = []
    plain = pictures._png

    def keep(figure: Figure) -> bytes:
        made.append(figure)
        return plain(figure)

    monkeypatch.setattr(pictures, "_png", keep)
    return made


def draw(kind: str, demo: bool = True) -> bytes:
    both = {"left": tension(1040.0), "right": tension(720.0)}
    match kind:
        case "creep":
            return pictures.creep(HOLDS, batch="K07", demo=demo)
        case "recovery":
            return pictures.recovery(HOLDS, batch="K07", demo=demo)
        case "side by side":
            return pictures.side_by_side(HOLDS, batch="K07", demo=demo)
        case _:
            return pictures.plan(
                both, both, steps=STEPS, target_N={"left": 981.0, "right": 690.0}, tolerance_percent=7.0,
                name="28 hole front", demo=demo,
            )  # fmt: skip


@pytest.mark.parametrize("kind", ["creep", "recovery", "side by side", "plan"])
def test_a_picture_is_a_whole_png_with_ink_on_it(kind: str) -> None:
    with Image.open(io.BytesIO(draw(kind))) as image:
        image.load()
        assert image.format == "PNG" and min(image.size) > 300
        assert len(set(image.convert("L").resize((200, 150)).get_flattened_data())) > 10


@pytest.mark.parametrize("kind", ["creep", "recovery", "side by side", "plan"])
def test_invented_data_are_marked_on_the_picture_and_real_ones_are_not(kind: str, figures: list[Figure]) -> None:
    draw(kind, demo=True)
    draw(kind, demo=False)
    marked, plain = ([t.get_text() for t in f.texts] for f in figures)
    assert pictures.INVENTED in marked
    assert pictures.INVENTED not in plain


def test_each_spoke_has_its_own_panel_with_its_measured_points(figures: list[Figure]) -> None:
    draw("creep")
    panels = [a for a in figures[0].axes if a.get_visible()]
    assert [a.get_title(loc="left") for a in panels] == [f"{h.spoke} at 1500 N (153.0 kgf)" for h in HOLDS]
    for panel, h in zip(panels, HOLDS, strict=True):
        points = next(line for line in panel.get_lines() if line.get_label() == "measured")
        assert np.array_equal(points.get_ydata(), h.measured_mm)


def test_the_plan_shows_target_band_untreated_and_every_session_on_each_side(figures: list[Figure]) -> None:
    draw("plan")
    for axes, target in zip(figures[0].axes, (981.0, 690.0), strict=False):
        said = [t.get_text() for t in axes.texts]
        assert [s.split("\n")[0] for s in said] == ["set", "touch", "overnight pass", "deliver"]
        bands = [c.get_datalim(axes.transData).get_points()[:, 1] for c in axes.collections]
        assert any(np.allclose(b, [target * 0.93, target * 1.07]) for b in bands)
        assert sum("untreated" in str(line.get_label()) for line in axes.get_lines()) == 1


def test_two_sides_that_are_alike_are_drawn_once(figures: list[Figure]) -> None:
    same = {"left": tension(1040.0), "right": tension(1040.0)}
    pictures.plan(
        same, {}, steps=STEPS, target_N={"left": 981.0, "right": 981.0}, tolerance_percent=7.0, name="x", demo=True
    )
    assert len([a for a in figures[0].axes if a.get_ylabel() == "mean tension, N"]) == 1


def test_labels_of_sessions_close_together_do_not_lie_on_each_other(figures: list[Figure]) -> None:
    close = [dict(s, at_h=a) for s, a in zip(STEPS, (0.0, 2.0, 2.6, 3.2), strict=True)]
    same = {"left": tension(1040.0)}
    pictures.plan(same, {}, steps=close, target_N={"left": 981.0}, tolerance_percent=7.0, name="x", demo=True)
    renderer = figures[0].canvas.get_renderer()  # type: ignore[attr-defined]
    boxes = [t.get_window_extent(renderer) for t in figures[0].axes[0].texts]
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])
