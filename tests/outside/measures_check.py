"""Recomputes every measure of a hold with numpy and scipy, on the same samples between the same times.

    measures_check.py FINGERFORCE

Traces are drawn here (seeded), written as HDF5 datasets, and given to `fingerforce holds --json`. From its answer only the
times and the level of each hold are taken; what it measured there is computed again by the definitions of
analysis/METHODS_AND_ERRORS.md. Agreement is asked to a relative 1e-9 (of a second for times): both sides add the same
doubles in another order. Then the same with the force low-passed by scipy first, against `--low-pass`. Exit code 1 with
what differs; a measure that was never compared is a failure too.
"""

import collections
import json
import pathlib
import subprocess
import sys
import tempfile

import h5py
import numpy as np
from scipy import signal

TOLERANCE = 1e-9
NOISE_N = 0.05


def step(x):
    x = np.clip(x, 0.0, 1.0)
    return x**3 * (10 + x * (6 * x - 15))


def draw(rate, seed, breaks):
    """A trace of two efforts: a hold of 8 s with tremor, then one that breaks or is let go."""
    chance = np.random.default_rng(seed)
    t = np.arange(int(22 * rate)) / rate
    force = np.zeros_like(t)
    for onset, rise, held, peak in ((2.0 + chance.uniform(0, 0.1), 0.1, 8.0, 30.0), (13.0, 1.0, 3.0, 18.0)):
        top = onset + rise
        pull = peak * step((t - onset) / rise) * (1 - 0.02 * np.clip(t - top, 0, None))
        pull *= 1 + 0.01 * np.sin(2 * np.pi * 9.3 * t + chance.uniform(0, 6)) + 0.008 * np.sin(2 * np.pi * 1.7 * t)
        if breaks and held < 5:
            pull *= 1 - 0.4 * step((t - top - held) / 0.15)
            held += 0.7
        force += pull * (1 - step((t - top - held) / 0.25))
    return force + 0.2 + NOISE_N * chance.standard_normal(len(t))


def line(values, dt):
    slope, _ = np.polyfit(np.arange(len(values)) * dt, values, 1)
    return slope, values.mean()


def moving(values, width):
    return np.convolve(values, np.ones(width) / width, mode="valid")


def crossing(smooth, first, level, rising):
    """First place at which a smoothed force is at the level (rising), or last (falling)."""
    above = np.flatnonzero(smooth >= level)
    k = above[0] - 1 if rising else above[-1]
    return first + k + (level - smooth[k]) / (smooth[k + 1] - smooth[k])


def floor(place):
    """The whole place at or before: times are doubles, so a whole place may come as a little less than itself."""
    return int(np.floor(place + 1e-7))


def recompute(force, dt, hold):
    """The measures of a hold, by their definitions."""
    f = force - hold["rest_n"]
    place = np.arange(len(f))
    onset, end = hold["onset_s"] / dt, hold["end_s"] / dt
    at = lambda p: np.interp(p, place, f)
    first, last = int(np.ceil(onset - 1e-7)), floor(end)
    width = max(3, round(0.020 / dt)) | 1
    smooth = np.full(len(f), -np.inf)
    smooth[width // 2 : len(f) - width // 2] = moving(f, width)
    peak = first + int(np.argmax(smooth[first : last + 1]))
    peak_n = smooth[peak]
    out = {"peak_n": peak_n, "peak_s": peak * dt, "time_to_peak_s": (peak - onset) * dt, "duration_s": (end - onset) * dt}

    def integral(a, b):
        inside = np.arange(int(np.ceil(a)), int(np.floor(b)) + 1)
        x = np.concatenate(([a], inside, [b]))
        return np.trapezoid(at(x), x) * dt

    out["impulse_n_s"] = integral(onset, end)
    out["mean_hold_n"] = out["impulse_n_s"] / out["duration_s"]
    for name, seconds in (("mean_n", 1.0), ("mean_half_s_n", 0.5), ("mean_3_s_n", 3.0)):
        if last + 1 - first >= round(seconds / dt):
            out[name] = moving(f[first : last + 1], round(seconds / dt)).max()
    ten = max(1, round(0.010 / dt)) | 1
    lead = floor(onset) - ten
    tens = moving(f, ten)  # tens[k] is centred on k + ten // 2
    out["rise5_s"] = crossing(tens[lead - ten // 2 : peak - ten // 2], lead, 0.05 * peak_n, True) * dt
    out["end_s"] = crossing(tens[peak - ten // 2 : floor(end) + ten + 2], peak, 0.1 * peak_n, False) * dt
    half = max(1, round(0.010 / dt))
    near = moving(f, 2 * half + 1)
    from_ = floor(onset)
    out["time_to_90_percent_s"] = (crossing(near[from_ - half : peak], from_, 0.9 * peak_n, True) - onset) * dt
    if 1 / dt >= 500:
        for ms in (50, 100, 200):
            out["rfd_%d_n_per_s" % ms] = (at(onset + ms / 1e3 / dt) - at(onset)) / (ms / 1e3)
        w = round(0.020 / dt)
        rising = f[floor(onset) : peak + 1]
        out["rfd_max_n_per_s"] = (rising[w:] - rising[:-w]).max() / (w * dt)
    yielded = hold["break_s"] / dt if hold["break_s"] is not None else None
    if yielded is not None:
        out["break_n"] = smooth[first : floor(yielded) + 1].max()
    to = peak if yielded is None else yielded
    out["loading_rate_n_per_s"] = line(f[floor(max(to - 0.5 / dt, onset)) : floor(to)], dt)[0]
    plateau(out, f, dt, onset, end if yielded is None else yielded)
    if yielded is None and out["duration_s"] >= 5:
        release = hold["release_s"] / dt
        tail = f[floor(release - round(0.5 / dt)) : floor(release)].mean()
        out["fatigue_window_percent"] = 100 * (1 - tail / out["mean_half_s_n"])
        out["fatigue_area_percent"] = 100 * (1 - integral(peak, end) / (peak_n * (end - peak) * dt))
        slope, mean = line(f[peak : floor(release)], dt)
        out["decay_percent_per_s"] = 100 * slope / mean
    return out


def plateau(out, f, dt, onset, until):
    first, last = onset + 1.0 / dt, until - 0.5 / dt
    if (last - first) * dt < 2:
        return
    per = max(1, int(0.005 / dt + 1e-9))
    values = f[floor(first) : floor(last)]
    means = values[: len(values) // per * per].reshape(-1, per).mean(axis=1)
    rate, flat = 1 / (per * dt), signal.detrend(means)
    warped = np.tan(np.pi * 20 / rate) / (2**0.5 - 1) ** 0.25
    sections = signal.butter(2, rate / np.pi * np.arctan(warped), fs=rate, output="sos")
    out["steadiness_percent"] = 100 * signal.sosfiltfilt(sections, flat).std(ddof=1) / means.mean()
    length = round(rate)
    hz, power = signal.welch(flat, fs=rate, window="hann", nperseg=length, noverlap=length - length // 2, detrend=False)
    assert hz[8] == 8.0
    band = lambda a, b: np.sqrt(np.trapezoid(power[a : b + 1], hz[a : b + 1]))
    out["tremor_n"], out["slow_tremor_n"] = band(8, 12), band(4, 8)
    out["tremor_percent"] = 100 * out["tremor_n"] / means.mean()
    out["tremor_peak_hz"] = hz[4 + int(np.argmax(power[4:13]))]


def holds(program, path, rate, test, *options):
    command = [program, "holds", path, "--json", "--dataset", "force", "--rate", rate, "--test", test, *options]
    answer = subprocess.run([str(word) for word in command], check=True, capture_output=True, text=True)
    return json.loads(answer.stdout)


def compare(what, hold, wanted, compared, problems):
    for name, value in wanted.items():
        found = hold[name]
        compared[name] += 1
        allowed = TOLERANCE * (1 if name.endswith("_s") and not name.endswith("n_s") else max(1.0, abs(value)))
        if found is None or not abs(found - value) <= allowed:
            problems.append("%s: %s is %r, recomputed %r" % (what, name, found, value))


def check_refusals(rate, hold, problems):
    refused = rate < 500
    if (hold["rfd_100_n_per_s"] is None) != refused or (hold["rfd_refused"] == "rate_too_low") != refused:
        problems.append("%d Hz: RFD %r, refused %r" % (rate, hold["rfd_100_n_per_s"], hold["rfd_refused"]))


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    compared, problems = collections.Counter(), []
    with tempfile.TemporaryDirectory() as folder:
        for rate in (80, 1000):
            for seed in range(3):
                for test in ("make", "break"):
                    force = draw(rate, 1000 * rate + seed, test == "break")
                    path = pathlib.Path(folder) / ("%d-%d-%s.h5" % (rate, seed, test))
                    with h5py.File(path, "w") as file:
                        file["force"] = force
                    answer = holds(program, path, rate, test)
                    found = [hold for hold in answer["holds"] if hold["kind"] == "hold"]
                    assert len(found) == 2 and answer["filter"] is None and answer["parameters"][0]["test"] == test, answer
                    for number, hold in enumerate(found):
                        what = "%d Hz, seed %d, %s, hold %d" % (rate, seed, test, number)
                        compare(what, hold, recompute(force, 1 / rate, hold), compared, problems)
                    check_refusals(rate, found[0], problems)
                    sections = signal.butter(2, rate / np.pi * np.arctan(np.tan(np.pi * 15 / rate) / (2**0.5 - 1) ** 0.25), fs=rate, output="sos")
                    smooth = signal.sosfiltfilt(sections, force)
                    answer = holds(program, path, rate, test, "--low-pass", 15)
                    assert answer["filter"] == {"order": 2, "cutoff_hz": 15.0, "zero_phase": True}, answer["filter"]
                    for number, hold in enumerate(answer["holds"]):
                        what = "%d Hz, seed %d, %s, low-passed, hold %d" % (rate, seed, test, number)
                        compare(what, hold, recompute(smooth, 1 / rate, hold), compared, problems)
    never = {"rfd_50_n_per_s", "fatigue_area_percent", "tremor_n", "steadiness_percent", "break_n"} - set(compared)
    problems += ["never compared: %s" % name for name in never]
    for problem in problems[:40]:
        print(problem)
    if problems:
        sys.exit("%d measures differ from numpy and scipy" % len(problems))
    print("%d values of %d measures agree with numpy and scipy to %g" % (sum(compared.values()), len(compared), TOLERANCE))


if __name__ == "__main__":
    main()
