"""`longhold fit` and `longhold forecast` as a user and a script meet them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.batch import Batch
from tests.models import otherphysics
from tui.cli import run
from tui.tables import read_table


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A night of two invented spokes as CSV, and the batch fitted from it."""
    where = tmp_path_factory.mktemp("fit")
    rng = np.random.default_rng(21)
    hidden = otherphysics.hidden_batch(rng)
    table = otherphysics.night(hidden, hidden.scales(rng, 2), rng, "levels", row_s=30.0)
    table.to_csv(where / "night.csv", index=False)
    assert run(["fit", str(where / "night.csv"), "--name", "K07", "--out", str(where / "K07.json")]) == 0
    return where


def table_of(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "night.csv")


def test_a_csv_becomes_a_batch_file_with_all_that_the_contract_asks(folder: Path) -> None:
    d = json.loads((folder / "K07.json").read_text())
    assert d["batch"] == "K07"
    for key in ("law", "chain", "spread", "candidates", "covers", "warnings", "source", "made_with", "uncertainty"):
        assert key in d
    assert d["source"][0]["file"] == "night.csv" and len(d["source"][0]["sha256"]) == 64
    assert d["made_with"].startswith("longhold ")
    names = {c["law"] for c in d["candidates"]}
    assert {"power law", "logarithmic", "smooth Kelvin chain"} <= names
    for c in d["candidates"]:
        assert {"parameters", "verdicts", "AICc", "held_back_error_um"} <= set(c)
        assert all({"value", "unit", "standard_error"} == set(p) for p in c["parameters"].values())
    assert "NaN" not in (folder / "K07.json").read_text()
    assert Batch.from_dict(d).chain.shape == ()
    assert d["covers"]["held_N"] == [1000.0, 1400.0]


def test_a_draught_of_half_an_hour_is_set_aside_where_asked_and_named(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = table_of(folder)
    spoke = table["spoke"].iloc[0]
    into = (table["time_s"] - 3 * 3600.0) / 1800.0  # it comes and goes: no step that would be found as a slip
    blown = 0.04 * np.sin(np.pi * np.clip(into, 0.0, 1.0)) * (table["spoke"] == spoke)
    table["elongation_mm"] += blown
    table.to_csv(tmp_path / "night.csv", index=False)
    for option, named in (([], False), (["--robust"], True)):
        assert run(["fit", str(tmp_path / "night.csv"), "--json", *option]) == 0
        warnings = json.loads(capsys.readouterr().out)["warnings"]
        assert any(w.startswith(f"spoke {spoke}: ") and "set aside, between 3." in w for w in warnings) is named


def test_json_stands_alone_on_stdout_and_words_go_to_stderr(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", str(folder / "night.csv"), "--name", "K08", "--like", str(folder / "K07.json"), "--json"]) == 0
    out, err = capsys.readouterr()
    d = json.loads(out)
    assert d["batch"] == "K08" and d["like"]["batch"] == "K07"
    assert "never comes back" in err and "Like batch K07" in err and "cannot tell" in err


def test_a_result_is_not_replaced_without_force_and_says_so_before_any_work(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (folder / "K07.json").read_bytes()
    assert run(["fit", str(folder / "nowhere.csv"), "--out", str(folder / "K07.json")]) == 2
    assert "--force" in capsys.readouterr().err
    assert (folder / "K07.json").read_bytes() == before


def refused(argv: list[str], out: Path | None, capsys: pytest.CaptureFixture[str]) -> str:
    assert run(argv) == 2
    stdout, err = capsys.readouterr()
    assert stdout == "" and "Traceback" not in err
    assert len(err.strip().splitlines()) == 1
    assert out is None or not out.exists()
    return err


def test_a_fault_of_a_csv_names_file_and_line_and_nothing_is_written(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = (folder / "night.csv").read_text().splitlines()
    out = tmp_path / "x.json"

    def with_line(number: int, text: str) -> str:
        path = tmp_path / "bad.csv"
        path.write_text("\n".join([*lines[: number - 1], text, *lines[number:]]) + "\n")
        return refused(["fit", str(path), "--out", str(out)], out, capsys)

    cells = lines[99].split(",")
    assert "line 100: load_N is 'much'" in with_line(100, ",".join([cells[0], cells[1], "much", *cells[3:]]))
    assert "line 100: load_N is empty" in with_line(100, ",".join([cells[0], cells[1], "", *cells[3:]]))
    assert "line 100: time_s goes back" in with_line(100, ",".join(["0.5", *cells[1:]]))
    assert "line 100" in with_line(100, lines[99] + ",7,8")  # more cells than the header
    assert "line 100" in with_line(100, ",".join(cells[:3]))  # fewer


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"time_s,load_N,elongation_mm\n", "no rows"),
        (b"a,b\n1,2\n", "column time_s is missing"),
        (b"\x89HDF\r\n\x1a\n\x00\x00\x00", "not a text file"),
        (b"time_s,load_N,elongation_mm\n1,2,\xff\xfe\n", "not a text file"),
        (b'time_s,load_N,elongation_mm\n1,2,"3\n', "not a plain table"),
        (b"\n\ntime_s,load_N,elongation_mm\n1,2,3\n", "line 1 is empty"),
        (b"# from the bench\ntime_s,load_N,elongation_mm\n1,2,3\n", "line 1 is a remark"),
        (b"time_s,load_N,elongation_mm,load_N\n1,2,3,4\n", "column load_N stands twice"),
        (b"time_s,load_N,elongation_mm\n1,2,3\n", "1 rows are too few"),
        (b"time_s,load_N,elongation_mm\n1,5,2,5,3,5\n", "decimal commas?"),
    ],
)
def test_files_that_are_no_run_table_are_refused_by_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, said: str
) -> None:
    path, out = tmp_path / "run.csv", tmp_path / "x.json"
    path.write_bytes(content)
    err = refused(["fit", str(path), "--out", str(out)], out, capsys)
    assert said in err and "run.csv" in err


def test_one_label_in_two_files_is_refused(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    second, out = tmp_path / "second.csv", tmp_path / "x.json"
    table_of(folder).to_csv(second, index=False)
    err = refused(["fit", str(folder / "night.csv"), str(second), "--out", str(out)], out, capsys)
    assert "two spokes with one name" in err


def test_the_gauge_length_option_is_asked_for_and_checked(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare, out = tmp_path / "bare.csv", tmp_path / "x.json"
    table_of(folder).drop(columns="gauge_length_mm").to_csv(bare, index=False)
    assert "--gauge-length-mm" in refused(["fit", str(bare), "--out", str(out)], out, capsys)
    assert "20 to 5000" in refused(["fit", str(bare), "--out", str(out), "--gauge-length-mm", "0.285"], out, capsys)


def test_a_semicolon_table_with_extra_columns_and_any_order_gives_the_same_batch(folder: Path, tmp_path: Path) -> None:
    table = table_of(folder)
    table["note"] = "kept"
    other, out = tmp_path / "other.csv", tmp_path / "other.json"
    table[table.columns[::-1]].to_csv(other, index=False, sep=";")
    assert run(["fit", str(other), "--name", "K07", "--out", str(out)]) == 0
    a, b = json.loads(out.read_text()), json.loads((folder / "K07.json").read_text())
    assert a["chain"] == b["chain"] and a["spread"] == b["spread"]


def written(table: pd.DataFrame, way: str) -> bytes:
    if way == "spreadsheet in a land of decimal commas":
        return table.to_csv(index=False, sep=";", decimal=",", lineterminator="\r\n").encode("utf-8-sig")
    if way == "tabs in UTF-16":
        return table.to_csv(index=False, sep="\t", decimal=",").encode("utf-16")
    if way == "old line ends":
        return table.to_csv(index=False, lineterminator="\r").encode()
    return table.assign(elongation_raw_mm=np.nan, note="").to_csv(index=False).encode() + b"\n\n"


@pytest.mark.parametrize(
    "way", ["spreadsheet in a land of decimal commas", "tabs in UTF-16", "old line ends", "empty columns, empty lines"]
)
def test_one_table_written_in_other_ways_gives_the_same_rows(folder: Path, tmp_path: Path, way: str) -> None:
    plain = read_table(folder / "night.csv")
    other = tmp_path / "other.csv"
    other.write_bytes(written(plain, way))
    found = read_table(other)
    for column in plain.columns:
        assert (found[column].to_numpy() == plain[column].to_numpy()).all(), column


# an archive ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def archive(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two good files and one that is none, in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    table = table_of(folder)
    for name, spoke in (("A1", "T01"), ("A2", "T02")):
        table[table.spoke == spoke].to_csv(f"{name}.csv", index=False)
    Path("bad.csv").write_text("a,b\n1,2\n")
    return tmp_path


def assert_same_batch(one: Path, other: Path) -> None:
    """Equal but for rounding: a worker gives the linear algebra another number of threads, so sums in another order."""

    def flat(node: object, at: str = "") -> dict[str, object]:
        parts = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else None
        return {at: node} if parts is None else {k: v for name, n in parts for k, v in flat(n, f"{at}/{name}").items()}

    a, b = (flat(json.loads(path.read_text())) for path in (one, other))
    assert a.keys() == b.keys() and a
    for key, value in a.items():
        assert b[key] == (pytest.approx(value, rel=1e-6, abs=1e-12) if isinstance(value, float) else value), key


def test_an_archive_becomes_a_batch_file_for_each_and_a_bad_file_does_not_end_the_rest(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["fit", "A1.csv", "bad.csv", "A2.csv", "--each", "--out", "batches", "--json"]) == 1
    said = capsys.readouterr()
    rows = json.loads(said.out)["batches"]
    assert [r["batch"] for r in rows] == ["A1", None, "A2"]
    assert "column time_s is missing" in rows[1]["words"][0] and "1 of 3 files could not be fitted: bad.csv" in said.err
    assert sorted(p.name for p in Path("batches").iterdir()) == ["A1.json", "A2.json"]
    assert run(["fit", "A1.csv", "--name", "A1", "--out", "alone.json"]) == 0
    assert_same_batch(Path("alone.json"), Path("batches/A1.json"))


def test_an_archive_is_fitted_on_a_dask_cluster_that_is_there(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    distributed = pytest.importorskip("distributed")
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    )
    with cluster:
        asked = ["fit", "A1.csv", "A2.csv", "--each", "--out", "there", "--dask", cluster.scheduler_address]
        assert run(asked) == 0
    assert "never comes back" in capsys.readouterr().out
    assert run(["fit", "A1.csv", "A2.csv", "--each", "--out", "here"]) == 0
    for name in ("A1.json", "A2.json"):
        assert_same_batch(Path("there", name), Path("here", name))


def test_what_does_not_go_with_an_archive_is_refused_before_any_work(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("b").mkdir()
    Path("b/A1.csv").write_text("")
    Path("old").mkdir()
    Path("old/A1.json").write_text("{}")
    for args, says in (
        (["A1.csv", "--dask", "127.0.0.1:1", "--out", "x.json"], "give --each with it"),
        (["A1.csv", "--each"], "needs --out DIR"),
        (["A1.csv", "--each", "--out", "x", "--name", "K"], "no --name"),
        (["A1.csv", "b/A1.csv", "--each", "--out", "x"], "two of the files would be written to x/A1.json"),
        (["A1.csv", "nowhere.csv", "--each", "--out", "x"], "nowhere.csv: no such file"),
        (["A1.csv", "--each", "--out", "old"], "--force"),
        (["A1.csv", "--each", "--out", "x", "--dask", "127.0.0.1:1"], "no cluster answers there"),
    ):
        assert run(["fit", *args]) == 2
        said = capsys.readouterr()
        assert says in said.err and said.out == ""
        assert not Path("x").exists() and Path("old/A1.json").read_text() == "{}"
    assert run(["fit", "bad.csv", "--each", "--out", "x"]) == 1
    assert "none of 1 files could be fitted" in capsys.readouterr().err


def history(path: Path, text: str) -> str:
    path.write_text(text)
    return str(path)


def test_forecast_answers_in_the_contracts_form_for_load_and_for_chord(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    load = history(tmp_path / "load.csv", "time_s,load_N\n0,20\n50,1000\n86400,1000\n2592000,1000\n")
    assert run(["forecast", str(folder / "K07.json"), "--history", load, "--json"]) == 0
    out, err = capsys.readouterr()
    d = json.loads(out)
    assert d["time_s"] == [0.0, 50.0, 86400.0, 2592000.0]
    assert all(
        low <= mid <= high for low, mid, high in zip(*(d["strain"][k] for k in ("p05", "p50", "p95")), strict=True)
    )
    assert 0.002 < d["strain"]["p50"][1] < d["strain"]["p50"][2] < d["strain"]["p50"][3] < 0.02
    assert "decades of time beyond" in err
    mm = d["strain"]["p50"][1] * otherphysics.GAUGE_MM
    chord = history(tmp_path / "chord.csv", f"time_s,chord_mm,temperature_C\n0,0,20\n50,{mm},20\n86400,{mm},20\n")
    assert run(["forecast", str(folder / "K07.json"), "--history", chord, "--json"]) == 0
    t = json.loads(capsys.readouterr().out)["tension_N"]["p50"]
    assert t[0] == pytest.approx(20.0, abs=1.0) and t[1] == pytest.approx(1000.0, rel=0.02) and t[2] < 0.9 * t[1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_s\n0\n", "either load_N or chord_mm"),
        ("time_s,load_N,chord_mm\n0,20,0\n", "both load_N and chord_mm"),
        ("time_s,load_N\n0,20\n5,30\n4,30\n", "line 4: time_s goes back"),
        ("time_s,load_N\n0,20\n5,x\n", "line 3: load_N is 'x'"),
        ("time_s,load_N\n0,20\n5,50000\n", "line 3: load_N is 50000"),
        ("time_s,load_N,temperature_C\n0,20,293\n", "line 2: temperature_C outside"),
    ],
)
def test_a_faulty_history_is_refused_by_line(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    capsys.readouterr()
    path = history(tmp_path / "h.csv", text)
    assert said in refused(["forecast", str(folder / "K07.json"), "--history", path, "--json"], None, capsys)


def test_a_batch_of_another_maker_with_three_keys_serves_for_a_forecast_and_asks_for_the_length(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    d = json.loads((folder / "K07.json").read_text())
    bare = tmp_path / "bare.json"
    bare.write_text(json.dumps({k: d[k] for k in ("batch", "chain", "spread")}))
    capsys.readouterr()
    load = history(tmp_path / "h.csv", "time_s,load_N\n0,20\n50,1000\n")
    assert run(["forecast", str(bare), "--history", load, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["strain"]["p50"][1] > 0.002
    chord = history(tmp_path / "c.csv", "time_s,chord_mm\n0,0\n50,1\n")
    assert "--gauge-length-mm" in refused(["forecast", str(bare), "--history", chord], None, capsys)
    assert run(["forecast", str(bare), "--history", chord, "--gauge-length-mm", "285", "--json"]) == 0
