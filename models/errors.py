"""What can go wrong in the calculations.

LongholdError
+- InputError      our reader's mistake or the file's: say file, key or line and what is allowed (exit 2)
+- CannotAnswer    the input is fine and the honest answer is no (exit 1)
"""


class LongholdError(Exception):
    """Anything that ends a command with a plain message."""


class InputError(LongholdError):
    """The input or the command line is wrong: the message names file, key or line and what is allowed."""


class CannotAnswer(LongholdError):
    """The input is fine, and the answer is no."""
