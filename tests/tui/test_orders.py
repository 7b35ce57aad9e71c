"""An order book: every build planned as it would be alone, on this machine's cores or on a Dask cluster that is there."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from models.errors import InputError
from tests.planner.batches import batch
from tests.tui.test_plan_command import toml
from tui.cli import run
from tui.many import many
from tui.orders import jobs, read_orders

NOW = datetime(2026, 1, 5, 9, tzinfo=UTC)
WEAK_RIM = (
    "spokes = 12\ncrosses = 1\n[wheel.rim]\narea_mm2 = 60\nout_of_plane_inertia_mm4 = 200\ntorsion_constant_mm4 = 100"
)


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("book").mkdir()
    builds = {
        "0411": toml(),
        "0412": toml(name='"another customer (invented)"'),
        "0413": toml(tension="target_N = 900"),
    }
    for name, text in builds.items():
        Path("book", f"{name}.toml").write_text(text, encoding="utf-8")
    Path("k.json").write_text(json.dumps(batch(creep=0.5).as_dict()), encoding="utf-8")
    return tmp_path


def plan(*more: str) -> int:
    return run(["plan", "--batch", "k.json", "--draws", "100", *more])


def steps(folder: str) -> Any:
    return json.loads(Path(folder, "schedule.json").read_text(encoding="utf-8"))["steps"]


def test_each_order_is_planned_as_it_would_be_alone(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert plan("--orders", "book", "--out", "plans", "--json") == 0
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert err == ""
    assert answer == json.loads(Path("plans", "orders.json").read_text(encoding="utf-8"))
    assert [row["order"] for row in answer["orders"]] == ["0411", "0412", "0413"]
    assert (answer["wheels"], answer["hold"], answer["do_not_hold"]) == (3, 3, 0)
    assert answer["hands_on_h"] == pytest.approx(sum(row["hands_on_h"] for row in answer["orders"]))
    for name in ("0411", "0413"):
        assert plan(f"book/{name}.toml", "--json") == 0
        assert json.loads(capsys.readouterr().out)["steps"] == steps(f"plans/{name}")
    assert "another customer" in Path("plans", "0412", "plan.txt").read_text(encoding="utf-8")


def test_orders_that_differ_only_by_name_are_planned_once(shop: Path) -> None:
    orders = read_orders(Path("book"), Path("k.json"), now=NOW)
    assert [[o.name for o in job.orders] for job in jobs(orders, 0, 100)] == [["0411", "0412"], ["0413"]]
    other = batch(creep=0.6).as_dict()
    Path("other.json").write_text(json.dumps(other), encoding="utf-8")
    Path("book.toml").write_text(
        'batch = "k.json"\n[[order]]\nbuild = "book/0411.toml"\n[[order]]\nbuild = "book/0412.toml"\nbatch = "other.json"\n',
        encoding="utf-8",
    )
    assert len(jobs(read_orders(Path("book.toml"), None, now=NOW), 0, 100)) == 2


def test_an_order_that_cannot_hold_is_named_and_the_others_are_planned(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("book", "0412.toml").write_text(toml(wheel=WEAK_RIM), encoding="utf-8")
    Path("book", "0413.toml").unlink()
    assert plan("--orders", "book", "--out", "plans") == 1
    out, err = capsys.readouterr()
    assert "1 of 2 orders do not hold as asked: 0412" in err
    assert "does not hold" in next(line for line in out.splitlines() if line.startswith("0412"))
    assert {p.name for p in Path("plans", "0412").iterdir()} == {"plan.txt"}
    assert "lateral buckling" in Path("plans", "0412", "plan.txt").read_text(encoding="utf-8")
    assert steps("plans/0411")


def test_a_fault_that_shows_only_in_the_search_is_that_orders_own(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is wrong with one build, the others are planned; the jobs run here, so that the search can be led."""
    import planner.search

    search = planner.search.find_plan

    def fails_for_one(build: Any, *args: Any, **how: Any) -> Any:
        if build.tension.target_N == 900:
            raise InputError("this build cannot be")
        return search(build, *args, **how)

    monkeypatch.setattr("planner.search.find_plan", fails_for_one)
    monkeypatch.setattr("tui.orders.many", lambda work, items, _dask: map(work, items))
    assert plan("--orders", "book", "--out", "plans") == 1
    out, err = capsys.readouterr()
    assert "1 of 3 orders do not hold as asked: 0413" in err and out.count("does not hold as asked") == 1
    assert Path("plans", "0413", "plan.txt").read_text(encoding="utf-8") == "this build cannot be"
    assert steps("plans/0411") and steps("plans/0412")


def test_one_build_is_planned_for_every_batch_of_an_archive(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("archive").mkdir()
    for name, creep in (("K07", 0.5), ("K08", 0.6)):
        Path("archive", f"{name}.json").write_text(json.dumps(batch(creep=creep).as_dict()), encoding="utf-8")
    archive = ["plan", "book/0411.toml", "--orders", "archive", "--draws", "100"]
    assert run([*archive, "--out", "plans", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [row["order"] for row in answer["orders"]] == ["K07", "K08"]
    assert steps("plans/K07") != steps("plans/K08")
    assert plan("book/0411.toml", "--json") == 0
    assert json.loads(capsys.readouterr().out)["steps"] == steps("plans/K07")
    assert run(["plan", "book/0411.toml", "--orders", "book", "--out", "more"]) == 2
    assert "no batch files (*.json)" in capsys.readouterr().err
    Path("book.toml").write_text('[[order]]\nbuild = "book/0411.toml"\n', encoding="utf-8")
    assert run(["plan", "book/0411.toml", "--orders", "book.toml", "--out", "more"]) == 2
    assert "a folder of batch files" in capsys.readouterr().err
    assert not Path("more").exists()


@pytest.mark.parametrize(
    ("book", "says"),
    [
        ("order = []\n", "order"),
        ('[[order]]\nbiuld = "book/0411.toml"\n', "biuld"),
        ('[[order]]\nbuild = "book/0499.toml"\n', "0499.toml"),
        ('[[order]]\nbuild = "book/0411.toml"\n[[order]]\nbuild = "book/0411.toml"\n', "'0411' already"),
        ('[[order]]\nbuild = "book/0411.toml"\nname = "a/b"\n', "cannot be a folder's"),
        ('[[order]]\nbuild = "book/0411.toml"\nbatch = "none.json"\n', "none.json"),
        ('batch = "book/0411.toml"\n[[order]]\nbuild = "book/0411.toml"\n', "not JSON"),
        ("[[order]\n", "not TOML"),
        ('[[order]]\nbuild = "gone.toml"\n', "gone.toml: order.due = 2020-01-01 00:00 lies in the past"),
    ],
)
def test_a_wrong_order_book_is_refused_before_any_work(
    shop: Path, capsys: pytest.CaptureFixture[str], book: str, says: str
) -> None:
    Path("book.toml").write_text(book, encoding="utf-8")
    Path("gone.toml").write_text(toml() + "[order]\ndue = 2020-01-01\n", encoding="utf-8")
    assert plan("--orders", "book.toml", "--out", "plans") == 2
    out, err = capsys.readouterr()
    assert out == "" and says in err and "Traceback" not in err
    assert not Path("plans").exists()


def test_what_does_not_go_together_is_said(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for args, says in (
        (["book/0411.toml", "--orders", "book", "--out", "plans"], "no --batch with it"),
        (["--orders", "book", "--out", "plans", "--calendar", "a.ics"], "--orders stands alone"),
        (["--orders", "book"], "needs --out DIR"),
        (["--orders", "nowhere", "--out", "plans"], "no such order book"),
        (["book/0411.toml", "--dask", "tcp://127.0.0.1:1", "--json"], "give --orders with it"),
        (["--orders", "book", "--out", "plans", "--dask", "127.0.0.1:1"], "no cluster answers there"),
        (["--orders", "book", "--out", "plans", "--dask", "nonsense"], "a host and a port are needed"),
    ):
        assert plan(*args) == 2
        assert says in capsys.readouterr().err
    assert run(["plan", "--orders", "book", "--out", "plans"]) == 2
    assert "order 1: no batch" in capsys.readouterr().err
    Path("empty").mkdir()
    assert plan("--orders", "empty", "--out", "plans") == 2
    assert "no build files" in capsys.readouterr().err
    assert not Path("plans").exists()


def test_plans_are_replaced_only_when_asked(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("plans", "0413").mkdir(parents=True)
    Path("plans", "0413", "schedule.json").write_text("mine", encoding="utf-8")
    assert plan("--orders", "book", "--out", "plans") == 2
    assert "schedule.json exists; give --force" in capsys.readouterr().err
    assert Path("plans", "0413", "schedule.json").read_text(encoding="utf-8") == "mine"


def test_a_cluster_that_is_there_gives_the_same_plans(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    distributed = pytest.importorskip("distributed")
    Path("book", "0412.toml").unlink()
    assert plan("--orders", "book", "--out", "here") == 0
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, protocol="tcp", dashboard_address=None
    ) as cluster:
        assert plan("--orders", "book", "--out", "there", "--dask", cluster.scheduler_address) == 0
    for name in ("0411", "0413"):
        assert steps(f"here/{name}") == steps(f"there/{name}")


def test_results_come_in_the_order_of_what_was_asked() -> None:
    assert list(many(abs, [-3, 2, -1])) == [3, 2, 1]
