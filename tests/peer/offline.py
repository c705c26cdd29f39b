"""What a careful lab programmer would write in Python to find and measure the holds of a long record.

    offline.py make FILE [--samples N] [--counts]
    offline.py find FILE

`make` writes an HDF5 file with one contiguous 1-D dataset `force` at 1 kHz: a hold of 5 s in every 10 s. Values are N
(32-bit floats), or with --counts a converter's counts (32-bit integers); its attributes newton_per_unit and offset_n say
how they become N. `find` low-passes it at 20 Hz without delay, finds holds by a threshold with hysteresis, measures each,
and prints one line of JSON; `seconds` leaves out starting Python. Block by block, so that memory stays small and a block
stays in the cache: the whole record at once takes longer.
"""

import argparse
import json
import time

import h5py
import numpy as np
from scipy import signal

RATE_HZ = 1000
PERIOD_S, HOLD_S = 10, 5
NOISE_N = 0.05
BLOCK = 1_000_000
# Seen by the filter on both sides of a block: by then its response is nothing.
MARGIN_S = 2
ON_N, OFF_N, LEAST_S = 5.0, 2.5, 1.0
GROUP = 3
COUNTS_PER_N, ZERO_COUNTS = 25_000.0, -12_345


def period(random):
    """One period: rest, a pull of three lags in a row, a plateau that sinks and trembles, a smooth release, rest."""
    force = NOISE_N * random.standard_normal(PERIOD_S * RATE_HZ)
    t = np.arange(HOLD_S * RATE_HZ) / RATE_HZ
    lag = t / random.uniform(0.03, 0.09)
    left = np.clip((HOLD_S - t) / random.uniform(0.15, 0.4), 0, 1)
    shape = (1 - np.exp(-lag) * (1 + lag + lag**2 / 2)) * left**2 * (3 - 2 * left)
    tremor = 1 + 0.008 * np.sin(2 * np.pi * random.uniform(8, 11) * t)
    start = int(random.uniform(2.0, 3.0) * RATE_HZ)
    force[start : start + len(t)] += random.uniform(15, 60) * shape * tremor * (1 - random.uniform(0, 0.03) * t)
    return force


def make(path, samples, counts):
    random = np.random.default_rng(20)
    unit = 1 / COUNTS_PER_N if counts else 1.0
    offset = -ZERO_COUNTS * unit if counts else 0.0
    length = PERIOD_S * RATE_HZ
    with h5py.File(path, "w") as file:
        data = file.create_dataset("force", (samples,), "<i4" if counts else "<f4")
        data.attrs.update(rate_hz=RATE_HZ, newton_per_unit=unit, offset_n=offset)
        for first in range(0, samples, length):
            force = period(random)[: samples - first]
            data[first : first + length] = np.rint((force - offset) / unit) if counts else force


def edges(force, before):
    """Places where force comes to ON_N (True) or falls below OFF_N (False), in order; `before` is the value before."""
    force = np.concatenate(([before], force))
    on, low = force >= ON_N, force < OFF_N
    rises, falls = np.flatnonzero(on[1:] & ~on[:-1]), np.flatnonzero(low[1:] & ~low[:-1])
    return sorted([(k, True) for k in rises.tolist()] + [(k, False) for k in falls.tolist()])


def measure(force):
    """Peak, mean over the middle half, time to peak (s), rise over the first 0.2 s (N/s)."""
    quarter, later = len(force) // 4, RATE_HZ // 5
    peak = int(force.argmax())
    return force[peak], force[quarter : len(force) - quarter].mean(), peak / RATE_HZ, (force[later] - force[0]) * RATE_HZ / later


def find(path):
    begun = time.perf_counter()
    low_pass = signal.butter(4, 20, fs=RATE_HZ, output="sos")
    starts, measures = [], []
    held, before = None, 0.0  # what the hold that is open has been so far
    with h5py.File(path) as file:
        data = file["force"]
        unit, offset, samples = data.attrs["newton_per_unit"], data.attrs["offset_n"], len(data)
        margin = MARGIN_S * RATE_HZ
        for first in range(0, samples, BLOCK):
            lead = min(first, margin)
            force = data[first - lead : first + BLOCK + margin] * np.float64(unit)
            force += offset
            force = signal.sosfiltfilt(low_pass, force)[lead : lead + BLOCK]
            at = 0
            for k, rising in edges(force, before):
                if rising and held is None:
                    starts.append(first + k)
                    held, at = force[:0], k
                elif not rising and held is not None:
                    hold = np.concatenate((held, force[at:k])) if len(held) else force[at:k]
                    if len(hold) >= LEAST_S * RATE_HZ:
                        measures.append(measure(hold))
                    else:
                        starts.pop()
                    held = None
            if held is not None:
                held = np.concatenate((held, force[at:]))
            before = force[-1]
    found = np.array(measures).reshape(-1, 4)
    groups = found[: len(found) // GROUP * GROUP, :2].reshape(-1, GROUP, 2)
    cv = 100 * groups.std(axis=1, ddof=1) / groups.mean(axis=1)
    result = {"holds": len(found), "mean_peak_n": found[:, 0].mean(), "mean_cv_percent": cv.mean(axis=0).tolist()}
    return result | {"seconds": time.perf_counter() - begun}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["make", "find"])
    parser.add_argument("file")
    parser.add_argument("--samples", type=lambda text: int(float(text)), default=100_000_000)
    parser.add_argument("--counts", action="store_true", help="a converter's counts instead of N")
    given = parser.parse_args()
    if given.what == "make":
        make(given.file, given.samples, given.counts)
    else:
        print(json.dumps(find(given.file)))


if __name__ == "__main__":
    main()
