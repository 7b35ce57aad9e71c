"""Help: quick, in the order of the job, and with an example at every command."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import click
import pytest

from tui.cli import COMMANDS, JobGroup, cli, run

HEAVY = ("numpy", "scipy", "h5py", "textual", "pandas", "matplotlib", "lmfit", "pymodbus", "pydantic", "reportlab")


def test_help_leaves_the_heavy_packages_unloaded() -> None:
    text = (
        "import sys\nfrom tui.cli import run\n"
        "assert run(['--help']) == 0\n"
        f"print(sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert "Commands, in the order of the job" in done.stdout


@pytest.mark.parametrize("name", ["demo", "watch", "doctor"])
def test_help_of_one_command_leaves_the_heavy_packages_unloaded(name: str) -> None:
    text = (
        f"import sys\nfrom tui.cli import run\nassert run([{name!r}, '--help']) == 0\n"
        f"print(sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_products_of_matrices_keep_to_one_thread_unless_the_user_says_otherwise() -> None:
    """Said before numpy is loaded, which reads it once."""
    text = (
        "import os, sys\nfrom tui.cli import ONE_THREAD, main\nassert 'numpy' not in sys.modules\n"
        "sys.argv = ['longhold', '--version']\n"
        "try:\n    main()\nexcept SystemExit:\n    print([os.environ[n] for n in ONE_THREAD])\n"
    )
    plain = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    for given, expected in (({}, ["1", "1", "1"]), ({"OMP_NUM_THREADS": "2"}, ["1", "2", "1"])):
        done = subprocess.run(
            [sys.executable, "-c", text], capture_output=True, text=True, check=True, env=plain | given
        )
        assert str(expected) in done.stdout


def test_longhold_alone_lists_the_commands_in_the_order_of_the_job(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 0
    whole = capsys.readouterr().out
    prose, _, shown = whole.partition("Commands, in the order of the job")
    names = [n for n in COMMANDS if f"\n  {n} " in shown]
    assert [shown.index(f"\n  {n} ") for n in names] == sorted(shown.index(f"\n  {n} ") for n in names)
    assert {"demo", "watch", "doctor"} <= set(names)
    assert "no safety function" in " ".join(prose.split())


def commands_below(group: JobGroup) -> list[tuple[str, click.Command]]:
    """Every command and group of commands, with its full name."""
    found: list[tuple[str, click.Command]] = []
    ctx = click.Context(group)
    todo = [(name, group.get_command(ctx, name)) for name in group.list_commands(ctx)]
    while todo:
        name, command = todo.pop()
        assert command is not None
        found.append((name, command))
        if isinstance(command, click.Group):
            todo += [(f"{name} {sub}", command.get_command(ctx, sub)) for sub in command.list_commands(ctx)]
    return found


def test_every_command_has_help_with_an_example_that_names_it() -> None:
    assert isinstance(cli, JobGroup)
    commands = commands_below(cli)
    assert len(commands) > 30
    without = [name for name, c in commands if f"longhold {name}" not in (c.help or "")]
    assert without == []


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["wach"], "did you mean 'longhold watch'?"),
        (["frobnicate"], "'longhold --help' lists the commands"),
        (["doctor", "--jsom"], "(see 'longhold doctor --help')"),
    ],
)
def test_a_wrong_word_is_answered_with_what_to_type(
    typed: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(typed) == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err and "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "offered"),
    [("longhold wh", "wheel"), ("longhold gauge r", "read"), ("longhold gauge read --w", "--wheel-stiffness-N-per-mm")],
)
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_tab_completes_commands_and_options(
    words: str, offered: str, shell: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    last = words.split()[-1]
    monkeypatch.setenv("COMP_WORDS", words)
    monkeypatch.setenv("COMP_CWORD", last if shell == "fish" else str(len(words.split()) - 1))
    monkeypatch.setenv("_LONGHOLD_COMPLETE", f"{shell}_complete")
    with pytest.raises(SystemExit) as ended:
        run([])
    assert ended.value.code == 0
    assert offered in re.split(r"[,\n\t]", capsys.readouterr().out)
