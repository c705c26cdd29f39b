"""Checks a recording of two sensors at once from outside: with h5py and numpy alone.

    sensors_check.py FOLDER_OF_THE_PROGRAMS

Two simulated sensors, each on a pseudo-terminal of its own, of different rates, clocks and numbers of channels, are
recorded together. Each simulator writes down every sample that it produced, and when on the machine's monotonic clock its
stream began. Checked: every recorded count is the one that was produced, of the right sensor, channel by channel; nothing is
missing unsaid; and each sensor's samples stand on the one base of time where they truly were, and so relative to each
other, within the bounds that the recording itself states. Exit code 1 with what differs.
"""

import json
import pathlib
import subprocess
import sys
import tempfile
import time

import h5py
import numpy as np

SENSORS = [
    {"serial": "LEFT", "channels": 1, "interval_ns": 1_000_000, "options": ["--clock-drift", "60"]},
    {"serial": "RIGHT", "channels": 4, "interval_ns": 2_500_000, "options": ["--drop", "0.05", "--seed", "5"]},
]
# The device's clock counts in microseconds: one to either side of what a bound says.
TICK_S = 1e-6


def simulated(programs, folder, sensor):
    link, log = folder / sensor["serial"], folder / (sensor["serial"] + ".counts")
    command = [programs / "fingerforced", "simulate", "--json", "--repeat", "--link", link, "--log-counts", log]
    command += ["--serial", sensor["serial"], "--channels", sensor["channels"], "--interval-ns", sensor["interval_ns"]]
    command += sensor["options"]
    child = subprocess.Popen([str(word) for word in command], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
    for _ in range(1000):
        if link.exists():
            return child, link, log
        time.sleep(0.01)
    sys.exit("no simulated port")


def base_s(file):
    """The monotonic clock at the zero of every `time_s`: the first reading of the host's clocks."""
    kinds = file["events/kind"].asstr()[:]
    return file["events/monotonic_ns"][np.flatnonzero(kinds == "clocks")[0]] * 1e-9


def check(file, number, sensor, truth, log):
    """Counts against the log; times against the truth. Gives the error of the first sample's time and its bound, s."""
    group = file["sensors/%d" % number]
    assert group.attrs["serial"] == sensor["serial"], group.attrs["serial"]
    samples = group["samples"]
    counts, time_s = samples["counts"][:], samples["time_s"][:]
    assert counts.shape == (len(time_s), sensor["channels"]) and len(time_s) > 1000, counts.shape
    assert np.all(np.diff(time_s) > 0), "time does not increase"
    produced = np.fromfile(log, dtype="<i4").reshape(-1, sensor["channels"])
    frames, segments = group["frames"], group["segments"]
    assert len(segments["boot_id"]) == 1, "one stream, one segment"
    counters = np.concatenate([np.arange(n) + first for first, n in zip(frames["counter"][:], frames["samples"][:])])
    assert np.array_equal(counts, produced[counters]), "counts differ from those that were produced"
    missing = group["gaps/missing"][:]
    assert np.all(missing > 0) and len(counts) + missing.sum() == len(produced), "samples are missing unsaid"
    (boot,) = [boot for boot in truth["boots"] if boot["boot_id"] == segments["boot_id"][0]]
    interval_s = sensor["interval_ns"] * 1e-9
    true_s = boot["began_ns"] * 1e-9 + (counters[0] + 1) * interval_s - group.attrs["group_delay_s"] - base_s(file)
    error_s, bound_s = time_s[0] - true_s, segments["bound_s"][0]
    assert abs(error_s) <= bound_s + TICK_S, "sensor %d: %g s off, bound %g s" % (number, error_s, bound_s)
    print("sensor %d: %d samples of %d channels as produced, %d missing and said so; time %.3f ms off, bound %.3f ms"
          % (number, len(counts), sensor["channels"], missing.sum(), 1e3 * error_s, 1e3 * bound_s))
    return error_s, bound_s


def main():
    programs = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        simulators = [simulated(programs, folder, sensor) for sensor in SENSORS]
        command = [programs / "fingerforced", "record", "--data", folder / "data", "--seconds", "8", "--json"]
        for _, link, _ in simulators:
            command += ["--port", link]
        recorded = subprocess.run([str(word) for word in command], check=True, stdin=subprocess.DEVNULL, capture_output=True, text=True)
        truths = [json.loads(child.communicate(timeout=60)[0]) for child, _, _ in simulators]
        path = json.loads(recorded.stdout)["visits"][0]["recording"]
        with h5py.File(path) as file:
            assert sorted(file["sensors"]) == ["1", "2"], list(file["sensors"])
            logs = [log for _, _, log in simulators]
            placed = [check(file, *of) for of in zip((1, 2), SENSORS, truths, logs)]
        (left_s, left_bound_s), (right_s, right_bound_s) = placed
        apart_s, bound_s = abs(left_s - right_s), left_bound_s + right_bound_s
        assert apart_s <= bound_s + 2 * TICK_S, (apart_s, bound_s)
        print("against each other: %.3f ms off, bound %.3f ms" % (1e3 * apart_s, 1e3 * bound_s))
        plots = folder / "plots"
        subprocess.run([str(programs / "fingerforce"), "plot", path, "--out", str(plots)], check=True, capture_output=True)
        together = (plots / "overview-together.svg").read_text()
        for words in ("sensor 1, channel 1 (n = ", "sensor 2, channel 4 (n = ", "force above zero, N"):
            assert words in together, words


if __name__ == "__main__":
    try:
        main()
    except subprocess.CalledProcessError as error:
        print(error.stdout, error.stderr, sep="\n")
        sys.exit("failed: %s" % error)
