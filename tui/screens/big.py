"""Large digits for a screen that is read from the truing stand: five lines high, in plain blocks."""

from __future__ import annotations

HEIGHT = 5
_ROWS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "+": ("   ", " # ", "###", " # ", "   "),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    "/": ("  #", "  #", " # ", "#  ", "#  "),
    "_": ("   ", "   ", "   ", "   ", "###"),
    " ": (" ", " ", " ", " ", " "),
}


def big(text: str) -> list[str]:
    """The text in five lines; a character that has no large form is left out. Each dot is two columns wide."""
    rows = [""] * HEIGHT
    for character in text:
        glyph = _ROWS.get(character)
        if glyph is None:
            continue
        for i in range(HEIGHT):
            rows[i] += "".join("██" if dot == "#" else "  " for dot in glyph[i]) + "  "
    return [row.rstrip() for row in rows]


def beside(*blocks: list[str], gap: int = 4) -> list[str]:
    """Blocks of lines side by side, filled up at the foot."""
    height = max(len(b) for b in blocks)
    widths = [max((len(line) for line in b), default=0) for b in blocks]
    out = []
    for i in range(height):
        cells = [(b[i] if i < len(b) else "").ljust(w) for b, w in zip(blocks, widths, strict=True)]
        out.append((" " * gap).join(cells).rstrip())
    return out
