"""All figures of `make bench` in one run. Law: ratios within one run, nothing remembered from another."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import bench_estimation
import bench_latency
import bench_page
import bench_phones
import bench_replay
import bench_store


def main() -> int:
    """Print the report; 1 where alarm path, store or page miss what is required."""
    latency = bench_latency.report()
    print("bytes to alarm verdict, 100 frames/s, 16 groups, ms")
    for name in ("idle", "recording", "busy"):
        figure = latency[name]
        print(
            f"  {name:9s} median {figure['p50_ms']:.2f}  99th percentile {figure['p99_ms']:.2f}  "
            f"maximum {figure['max_ms']:.2f}  frames {figure['frames']}"
        )
    print(f"  allowed 99th percentile {latency['allowed_p99_ms']:.2f}: {'holds' if latency['holds'] else 'FAILS'}")
    print("store, 24 groups, 20 Hz, 2 hours")
    store = bench_store.report()
    for name, value in store.items():
        print(f"  {name}: {value:.4g}" if isinstance(value, float) else f"  {name}: {value}")
    page = bench_page.report()
    print("page, processor time of the server, that ride and 500 others")
    for name, value in page.items():
        print(f"  {name}: {value:.4g}" if isinstance(value, float) else f"  {name}: {value}")
    phones = bench_phones.report()
    print("live view, percent of a core that the daemon uses, 16 groups at 20 Hz, five events a second")
    print(
        f"  one phone {phones['one_percent']:.2f}, ten {phones['ten_percent']:.2f}: {phones['over_percent']:+.2f} "
        f"(allowed {bench_phones.ALLOWED_PERCENT:.0f}), slowest phone {phones['slowest_hz']:.1f} events a second: "
        f"{'holds' if phones['holds'] else 'FAILS'}"
    )
    replay = bench_replay.report()
    print("replay of 2 hours, 24 groups, 20 Hz, reading included")
    print(f"  times real time: {replay['speed']:.0f} (required {replay['required']:.0f})")
    print(f"  a row, µs: reading {replay['read_us']:.1f}, estimator {replay['estimator_us']:.1f}, ", end="")
    print(f"alarms {replay['alarms_us']:.1f}, totals {replay['totals_us']:.1f} (one addition {replay['unit_us']:.2f})")
    print(f"  {replay['grid']['settings']} settings over one: {replay['grid']['ratio']:.2f} times the time (allowed 2)")
    print(f"  {'holds' if replay['holds'] else 'not reached yet'}")
    print("rest voltage, resistance and rest_low against the truth")
    rides = sorted(bench_estimation.RIDES.glob("*.npz"))
    print("\n".join(bench_estimation.table(bench_estimation.report(rides, bench_estimation.VARIANTS))))
    held = [latency["holds"], page["holds"], phones["holds"], *store["holds"].values()]
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
