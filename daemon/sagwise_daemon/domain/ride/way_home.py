"""Energy to get home. Law: until told otherwise the rider is outbound, and the way home is the way back.

Home is where the pack was last charged, or where the daemon began. The way back costs what the way out has cost; where
the board counts distance, its rate per metre is that of the whole way, or that of late where it is clearly dearer.
Neither energy nor distance knows a direction, so nothing but the rider tells that the bike has turned: by acknowledging
`turn_back`, or by saying so beforehand in the same words. From then on the way home is counted down, and past home it
is counted up again, as the next way out. A stop or the end of a recorded ride changes nothing: riders rest at the far
end.
"""

from __future__ import annotations

from math import exp, isnan, nan

from sagwise_daemon.domain.model import Floats

LINK_S = 1.0  # readings up to this far apart follow one another
UNSEEN_S = 120.0  # of time without a measurement, this much at most was ridden
CHARGED_S = 300.0  # charged without a pause for this long: no descent does that, a charger does
LATE_M = 2000.0  # "of late", along the way: shorter, one hill would be taken for the whole way home
# Rates over `LATE_M` scatter by 5 % around that of the whole way, on 50 simulated ways out: so much is chance.
LATE_SPARE = 0.10
SECONDS_PER_HOUR = 3600.0


class WayHome:
    """Counts the way out, and the way back once told. `home_wh`: NaN until power is measured."""

    def __init__(self) -> None:
        self._time_s = self._power_w = self._counter_m = nan
        self._begin()

    def _begin(self) -> None:
        self._used_wh = self._way_m = self._ridden_s = 0.0
        self._late_wh = self._late_m = 0.0
        self._home_at = (0.0, 0.0)  # Wh and metres counted when the bike was last home
        self._turned_at: tuple[float, float] | None = None
        self._charged_s = 0.0

    def add(self, time_s: float, power_w: float, counter_m: float) -> None:
        """One reading: pack power, positive while discharging, and the distance counter; NaN where not measured."""
        if isnan(power_w):
            return
        span_s = 0.0 if isnan(self._time_s) else time_s - self._time_s
        wh = self._drawn_ws(span_s, power_w) / SECONDS_PER_HOUR
        metres = self._travelled(counter_m)
        self._time_s, self._power_w = time_s, power_w
        self._charged_s = self._charged_s + span_s if power_w < 0.0 else 0.0
        if self._charged_s >= CHARGED_S:
            self._begin()
            return
        self._ridden_s += min(span_s, UNSEEN_S)
        self._used_wh = max(self._used_wh + wh, 0.0)
        self._way_m += metres
        fade = exp(-metres / LATE_M)
        self._late_wh = max(self._late_wh * fade + wh, 0.0)
        self._late_m = self._late_m * fade + metres

    def take(self, time_s: Floats, power_w: Floats, counter_m: Floats) -> tuple[list[float], list[bool]]:
        """Readings in turn, as `add`; `home_wh` and `heading_home` after each."""
        home_wh, heading_home = [], []
        for row in zip(time_s.tolist(), power_w.tolist(), counter_m.tolist(), strict=True):
            self.add(*row)
            home_wh.append(self.home_wh)
            heading_home.append(self.heading_home)
        return home_wh, heading_home

    def _drawn_ws(self, span_s: float, power_w: float) -> float:
        """Energy since the last measured reading; over unseen time at least the mean power so far."""
        if span_s <= 0.0:
            return 0.0
        between_w = 0.5 * (self._power_w + power_w)
        if span_s <= LINK_S:
            return between_w * span_s
        mean_w = self._used_wh * SECONDS_PER_HOUR / self._ridden_s if self._ridden_s else 0.0
        return max(between_w, mean_w) * min(span_s, UNSEEN_S)

    def _travelled(self, counter_m: float) -> float:
        if isnan(counter_m):
            return 0.0
        before, self._counter_m = self._counter_m, counter_m
        return 0.0 if isnan(before) else max(counter_m - before, 0.0)

    def turned(self) -> None:
        """The rider says that the bike heads home. Said again before home is reached, it changes nothing."""
        if self._turned_at is not None:
            if not self._past_home():
                return
            (turn_wh, turn_m), (start_wh, start_m) = self._turned_at, self._home_at
            self._home_at = (2.0 * turn_wh - start_wh, 2.0 * turn_m - start_m)
        self._turned_at = (self._used_wh, self._way_m)

    @property
    def heading_home(self) -> bool:
        """Whether the rider has said so, and is not yet past home."""
        return self._turned_at is not None and not self._past_home()

    def _past_home(self) -> bool:
        assert self._turned_at is not None
        (turn_wh, turn_m), (start_wh, start_m) = self._turned_at, self._home_at
        if turn_m > start_m:
            return self._way_m >= 2.0 * turn_m - start_m
        return self._used_wh >= 2.0 * turn_wh - start_wh

    @property
    def home_wh(self) -> float:
        """Energy to get home from here."""
        if isnan(self._time_s):
            return nan
        used_wh, way_m = self._from_home(0, self._used_wh), self._from_home(1, self._way_m)
        if not self._way_m:
            return used_wh
        dearer = max(self._used_wh / self._way_m, self._late_wh / self._late_m / (1.0 + LATE_SPARE))
        return max(used_wh, way_m * dearer) if self._turned_at is None else way_m * dearer

    def _from_home(self, which: int, counted: float) -> float:
        """How far from home, in Wh (0) or metres (1) of the way out."""
        out = counted - self._home_at[which]
        if self._turned_at is None:
            return out
        return abs(2.0 * (self._turned_at[which] - self._home_at[which]) - out)
