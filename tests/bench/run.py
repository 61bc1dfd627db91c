"""All figures of `make bench` in one run. Law: ratios within one run, nothing remembered from another."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import bench_latency
import bench_store


def main() -> int:
    """Print the report; 1 where a figure does not hold."""
    latency = bench_latency.report()
    print("bytes to alarm verdict, 100 frames/s, 16 groups, ms")
    for name in ("idle", "busy"):
        figure = latency[name]
        print(
            f"  {name:5s} median {figure['p50_ms']:.2f}  99th percentile {figure['p99_ms']:.2f}  "
            f"maximum {figure['max_ms']:.2f}  frames {figure['frames']}"
        )
    print(f"  allowed 99th percentile {latency['allowed_p99_ms']:.2f}: {'holds' if latency['holds'] else 'FAILS'}")
    print("store, 24 groups, 20 Hz, 2 hours")
    for name, value in bench_store.report().items():
        print(f"  {name}: {value:.4g}" if isinstance(value, float) else f"  {name}: {value}")
    return 0 if latency["holds"] else 1


if __name__ == "__main__":
    sys.exit(main())
