"""The board's own alarm, on measured voltage. Law: it judges only a silent host's pack, and errs shrill, never quiet.

It knows nothing of sag. All times are microseconds of one clock that only rises.
"""

from __future__ import annotations

from sagwise_protocol import FallbackLimits, Sample

BUILT_IN_SILENCE_MS = 3000


class FallbackAlarm:
    """One boot's watch over a silent host. `limits` None: the board has no such alarm."""

    def __init__(self, limits: FallbackLimits | None, booted_us: int) -> None:
        self.limits = limits
        self.sounding = False
        self._heard_us = booted_us
        self._beyond_us: int | None = None
        self._could_read = False

    def heard(self, now_us: int) -> bool:
        """A heartbeat came: the host decides again. Whether the alarm went by it."""
        self._heard_us = now_us
        sounded, self.sounding, self._beyond_us = self.sounding, False, None
        return sounded

    def silent(self, now_us: int) -> bool:
        """Whether no heartbeat came for the limit; before the first the time since boot counts."""
        silence_ms = self.limits.host_silence_ms if self.limits else BUILT_IN_SILENCE_MS
        return now_us - self._heard_us >= silence_ms * 1000

    def judge(self, sample: Sample, now_us: int) -> bool:
        """Take a sample into account; whether the alarm came or went by it."""
        self._could_read |= sample.group_valid != 0
        sounded, self.sounding = self.sounding, False
        limits = self.limits
        if limits is None or not self.silent(now_us) or not self._alarming(sample, limits):
            self._beyond_us = None
        else:
            if self._beyond_us is None:
                self._beyond_us = now_us
            self.sounding = now_us - self._beyond_us >= limits.on_delay_ms * 1000
        return sounded != self.sounding

    def _alarming(self, sample: Sample, limits: FallbackLimits) -> bool:
        """Whether a valid group is beyond a limit, or none can be read any more."""
        if not sample.group_valid:
            return self._could_read
        return any(
            sample.group_valid >> at & 1 and not limits.low_500uv <= value <= limits.high_500uv
            for at, value in enumerate(sample.group_500uv)
        )
