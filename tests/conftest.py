"""Arithmetic on one thread, as the program has it: libraries read this once, when they are first imported."""

from __future__ import annotations

import os

from tui.cli import ONE_THREAD

for name in ONE_THREAD:
    os.environ.setdefault(name, "1")
