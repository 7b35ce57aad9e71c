"""Whether a screen can be shown, and lines at a plain prompt."""

from __future__ import annotations

import sys

import click

PLAIN = click.option("--plain", is_flag=True, help="Plain prompts instead of a screen; so too where there is none.")


def on_screen(plain: bool) -> bool:
    """Whether a screen can be shown."""
    return not plain and sys.stdin.isatty() and sys.stdout.isatty()


def ask(prompt: str) -> str:
    """A line at a plain prompt; the end of input leaves."""
    click.echo(prompt, nl=False)
    line = sys.stdin.readline()
    if not line:
        click.echo()
        return "q"
    return line.rstrip("\n")
