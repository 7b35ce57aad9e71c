"""Whether an answer is fresh: the device's own counter against the controller's clock."""

from __future__ import annotations

from bench.errors import LineTrouble

SAME_AFTER_S = 0.05  # a counter that stands still for longer is stale
OLDEST_S = 1.0  # values older than this are stale, however regularly they come
DRIFT = 2e-3  # how far apart the two clocks may run


class Freshness:
    """Follows one device's counter, which wraps at ``modulus`` counts of ``count_s`` seconds."""

    def __init__(self, *, modulus: int = 2**32, count_s: float = 0.001) -> None:
        self._modulus, self._count_s = modulus, count_s
        self._counter: int | None = None
        self._now_s = 0.0
        self._age_s = 0.0  # of the values, against the freshest seen

    def check(self, counter: int, now_s: float) -> int:
        """Take note of one answer; how far the counter went on since the one before, wrapping unrolled.

        Raises
        ------
        LineTrouble
            The counter stands still, jumps back (restarted, or another device), or lags: an old answer.
        """
        if self._counter is None:
            self._counter, self._now_s, self._age_s = counter, now_s, 0.0
            return 0
        passed_s = now_s - self._now_s
        counted = (counter - self._counter) % self._modulus
        if counted == 0:
            if passed_s > max(SAME_AFTER_S, 2 * self._count_s):
                raise LineTrouble(
                    f"stale answer: the frame's counter has stood at {counter} for {passed_s:.2f} s: these are old "
                    "values (a gateway, or a frozen device); check the link, then resume"
                )
            return 0
        if counted > self._modulus // 2:
            before = self._counter
            self._counter = None
            raise LineTrouble(
                f"the frame's counter jumped back from {before} to {counter}: it restarted, or another device "
                "answered; positions may be lost; look at the frame, then resume"
            )
        counted_s = counted * self._count_s
        self._age_s = max(0.0, self._age_s + passed_s * (1 - DRIFT) - counted_s)
        self._counter, self._now_s = counter, now_s
        if self._age_s > OLDEST_S:
            raise LineTrouble(
                f"late answer: by the frame's own counter these values are {self._age_s:.1f} s old; "
                "check the link (a gateway that queues?), then resume"
            )
        return counted
