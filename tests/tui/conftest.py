"""Fixtures that several files of these tests use."""

from tests.tui.guides import wheel as wheel
from tests.tui.test_wheel_command import desk as desk
