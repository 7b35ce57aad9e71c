"""What can go wrong at the bench.

BenchError                       a LongholdError
+- InputError (models.errors)    our mistake: a file or a program that cannot be run (exit 2)
+- FrameFault                    the frame's answer: a limit, an interlock, a drive fault (exit 3)
+- LineTrouble                   the link: silence, garbage, a stale or foreign answer (exit 3)
"""

from models.errors import LongholdError


class BenchError(LongholdError):
    """Anything of the frame or the link; what was logged is kept."""

    exit_status = 3


class FrameFault(BenchError):
    """The frame answered, and the answer forbids going on."""


class LineTrouble(BenchError):
    """The link failed: no answer, a wrong one, or one that is not fresh."""
