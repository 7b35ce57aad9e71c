"""A page that is one file: text, tables and pictures in it, nothing fetched from anywhere, good to print."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

STYLE = """
body { font: 16px/1.45 "DejaVu Sans", Verdana, sans-serif; color: #202020; background: #fff; margin: 2em auto;
  max-width: 52em; padding: 0 1em; }
h1 { font-size: 1.5em; } h2 { font-size: 1.15em; margin-top: 2em; border-bottom: 1px solid #7a7a7a; }
table { border-collapse: collapse; margin: 0.6em 0; font-variant-numeric: tabular-nums; }
th, td { padding: 0.15em 0.9em 0.15em 0; text-align: right; border-bottom: 1px solid #ddd; }
th:first-child, td:first-child { text-align: left; } .words td { text-align: left; }
figure { margin: 1em 0; } img { max-width: 100%; height: auto; } figcaption { font-size: 0.9em; }
.mark { border: 2px solid #202020; padding: 0.4em 0.8em; font-weight: bold; }
@media print { body { margin: 0; max-width: none; } h2, figure { break-inside: avoid; } }
"""


def page(title: str, parts: Sequence[str]) -> str:
    """The whole file."""
    body = "\n".join(parts)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n{body}\n</body>\n</html>\n"
    )


def heading(text: str) -> str:
    """A section begins."""
    return f"<h2>{escape(text)}</h2>"


def words(text: str, *, mark: bool = False) -> str:
    """A paragraph; ``mark``: framed."""
    return f'<p class="mark">{escape(text)}</p>' if mark else f"<p>{escape(text)}</p>"


def points(texts: Sequence[str], *, numbered: bool = False) -> str:
    """A list."""
    tag = "ol" if numbered else "ul"
    return f"<{tag}>\n" + "\n".join(f"<li>{escape(t)}</li>" for t in texts) + f"\n</{tag}>"


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, prose: bool = False) -> str:
    """A table of numbers, or of words where ``prose``."""
    top = "".join(f"<th>{escape(h)}</th>" for h in head)
    body = "\n".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table{' class=words' if prose else ''}>\n<tr>{top}</tr>\n{body}\n</table>"


def picture(png: bytes, caption: str) -> str:
    """A picture with what it shows in words."""
    data = base64.b64encode(png).decode("ascii")
    text = escape(caption)
    return (
        f'<figure>\n<img alt="{text}" src="data:image/png;base64,{data}">\n<figcaption>{text}</figcaption>\n</figure>'
    )
