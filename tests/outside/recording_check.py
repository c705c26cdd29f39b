"""Checks recordings from outside: with h5py, xarray over h5netcdf, xarray over netCDF4, and numpy.

    recording_check.py FILE... [--summary SUMMARY.json] [--self-test]

Comes in: recordings; `--summary`: what `fingerforce summary --json` printed for the one recording given. Goes out: a line
a check with what was compared, exit code 1 with the problems if there are any. `--self-test` spoils copies of each
recording and fails if that goes unnoticed. Nothing here uses the program's own code: what a column means is taken from
the recording's written definition (`long_name`, the digest's definition in analysis/src/recording/digest.rs).
"""

import argparse
import collections
import contextlib
import hashlib
import json
import os
import shutil
import struct
import sys
import tempfile

import h5py
import netCDF4
import numpy as np
import xarray

TOLERANCE = 1e-9
FILTERS = {h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_FLETCHER32}
SCALE_ATTRIBUTES = {"CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST"}
TABLES = ("trials", "observations", "events")
SENSOR_TABLES = ("channels", "frames", "segments", "gaps", "tares")
SCORED = 3


class Report:
    """Problems found, and what was compared: a check that compared nothing is a problem too."""

    def __init__(self):
        self.problems = []
        self.compared = collections.Counter()
        self.notes = []

    def expect(self, what, holds, problem):
        self.compared[what] += 1
        if not holds:
            self.problems.append(f"{what}: {problem}")

    def near(self, what, name, found, recorded):
        tolerance = TOLERANCE * max(1.0, abs(recorded))
        self.expect(what, abs(found - recorded) <= tolerance, f"{name}: recomputed {found!r}, recorded {recorded!r}")


def members(file):
    """Every group and dataset with its path, the root first."""
    found = [("/", file)]
    file.visititems(lambda path, member: found.append(("/" + path, member)))
    return found


def is_text(dtype):
    return h5py.check_string_dtype(dtype) is not None


# -- layout -------------------------------------------------------------------------------------------------------------


def check_layout(file, report):
    """Plain datasets only, described, compressed, with checksums, every axis with a scale."""
    report.expect("layout", file.attrs["layout"] == "finger-force recording", "another layout")
    report.expect("layout", file.attrs["Conventions"] == "CF-1.11", "another convention")
    expected = ["/participant", "/plan", *(f"/{table}" for table in TABLES)]
    for number in file["sensors"]:
        expected += [f"/sensors/{number}/{name}" for name in ("samples", *SENSOR_TABLES)]
    for path in expected:
        report.expect("layout", isinstance(file.get(path), h5py.Group), f"no group {path}")
    for path, member in members(file):
        if isinstance(member, h5py.Dataset):
            check_dataset(path, member, report)


def check_dataset(path, dataset, report):
    for name in ("units", "long_name"):
        report.expect("description", isinstance(dataset.attrs.get(name), str), f"{path} has no {name}")
    text = is_text(dataset.dtype)
    plain = text or dataset.dtype.str in ("<f8", "<f4", "<i8", "<i4", "|u1")
    report.expect("plain types", plain, f"{path} is of type {dataset.dtype}")
    if dataset.shape == ():
        return
    properties = dataset.id.get_create_plist()
    filters = {properties.get_filter(i)[0] for i in range(properties.get_nfilters())}
    # libhdf5 has no checksums for text of any length; the digest covers it.
    expected = FILTERS - {h5py.h5z.FILTER_FLETCHER32} if text else FILTERS
    report.expect("filters", filters == expected, f"{path} has the filters {filters}")
    if h5py.h5ds.is_scale(dataset.id):
        return
    for axis, dimension in enumerate(dataset.dims):
        scales = [scale.shape[0] for scale in dimension.values()]
        report.expect("scales", scales == [dataset.shape[axis]], f"{path}, axis {axis}: scales of lengths {scales}")


# -- three readers ------------------------------------------------------------------------------------------------------


def check_readers(path, file, report):
    """Every group opens in xarray by both ways to read netCDF, and holds what h5py reads."""
    for engine in ("h5netcdf", "netcdf4"):
        for group, member in members(file):
            if isinstance(member, h5py.Group):
                check_group(path, engine, group, member, report)
    with netCDF4.Dataset(path) as whole:
        report.expect("netCDF4", set(whole.groups) == set(file), f"groups {sorted(whole.groups)}")


def check_group(path, engine, group, member, report):
    what = f"xarray with {engine}"
    datasets = {name: inner for name, inner in member.items() if isinstance(inner, h5py.Dataset)}
    try:
        with xarray.open_dataset(path, group=group, engine=engine) as opened:
            report.expect(what, set(opened.variables) == set(datasets), f"{group} has {sorted(opened.variables)}")
            for name, dataset in datasets.items():
                if name in opened.variables:
                    same = equal(opened[name].values, dataset)
                    report.expect(what, same, f"{group}/{name} differs from what h5py reads")
    except Exception as error:  # whatever a reader raises is what this looks for
        report.expect(what, False, f"{group}: {type(error).__name__}: {error}")


def equal(values, dataset):
    if is_text(dataset.dtype):
        return np.asarray(values, dtype=object).tolist() == dataset.asstr()[()].tolist() if dataset.shape else (
            str(values) == dataset.asstr()[()]
        )
    return np.array_equal(values, dataset[()], equal_nan=dataset.dtype.kind == "f")


# -- digest -------------------------------------------------------------------------------------------------------------

DIGEST_TYPES = {"|u1": "u8", "<i4": "i32", "<i8": "i64", "<f4": "f32", "<f8": "f64"}


def line(name, values, dtype):
    """One line of the digest's definition."""
    shape = ",".join(str(length) for length in np.shape(values))
    state = hashlib.sha256()
    if is_text(dtype):
        kind = "text"
        for value in np.ravel(np.asarray(values, dtype=object)):
            value = value if isinstance(value, bytes) else value.encode()
            state.update(struct.pack("<Q", len(value)) + value)
    else:
        kind = DIGEST_TYPES[dtype.str]
        state.update(np.ascontiguousarray(values).tobytes())
    return f"{name}\t{kind}\t{shape}\t{state.hexdigest()}\n".encode()


def content_sha256(file):
    lines = []
    for path, member in members(file):
        if isinstance(member, h5py.Group):
            lines.append(f"{path}\tgroup\n".encode())
        else:
            lines.append(line(path, member[()], member.dtype))
        for name in member.attrs:
            left_out = name in SCALE_ATTRIBUTES or (path == "/" and name == "content_sha256")
            if not left_out:
                dtype = member.attrs.get_id(name).dtype
                lines.append(line(f"{path}@{name}", member.attrs[name], dtype))
    return hashlib.sha256(b"".join(sorted(lines))).hexdigest()


def check_digest(file, report):
    found, carried = content_sha256(file), file.attrs["content_sha256"]
    report.expect("content_sha256", found == carried, f"recomputed {found}, carried {carried}")


# -- samples and trials -------------------------------------------------------------------------------------------------


def check_samples(file, report):
    for number, sensor in file["sensors"].items():
        samples = sensor["samples"]
        counts, time_s = samples["counts"], samples["time_s"][:]
        report.expect("samples", counts.shape == samples["force_n"].shape, f"sensor {number}: shapes differ")
        report.expect("samples", bool(np.all(np.diff(time_s) > 0)), f"sensor {number}: time_s does not increase")
        for row in range(len(sensor["segments/first_sample"])):
            first = sensor["segments/first_sample"][row]
            inside = slice(first, first + sensor["segments/samples"][row])
            rising = np.all(np.diff(samples["device_time_s"][inside]) > 0)
            report.expect("samples", bool(rising), f"sensor {number}, segment {row}: device time does not increase")
        in_segments = int(np.sum(sensor["segments/samples"][:]))
        in_frames = int(np.sum(sensor["frames/samples"][:]))
        report.expect("samples", in_segments == len(time_s), f"sensor {number}: {in_segments} samples in segments")
        report.expect("samples", in_frames == len(time_s), f"sensor {number}: {in_frames} samples in frames")


def table(group):
    """The rows of a table as dictionaries."""
    columns = {name: (d.asstr()[:] if is_text(d.dtype) else d[:]) for name, d in group.items()}
    return [dict(zip(columns, values)) for values in zip(*columns.values())]


def check_trials(file, report):
    """Peak, mean and impulse anew from `force_n`, over the hold's own samples."""
    without, gaps = 0, 0
    for row in table(file["trials"]):
        if row["first_sample"] < 0:
            without += 1
        elif "gap" in row["flags"]:
            gaps += 1
        else:
            check_trial(file, row, report)
    if without or gaps:
        report.notes.append(f"trials not recomputed: {without} without a hold, {gaps} with samples missing in the hold")


def check_trial(file, row, report):
    sensor = file[f"sensors/{row['sensor']}"]
    step_s = sensor["segments/interval_ns"][row["segment"]] * 1e-9
    force_n = sensor["samples/force_n"][:, row["channel"] - 1].astype(np.float64)
    device_time_s = sensor["samples/device_time_s"][:]
    first, last = int(row["first_sample"]), int(row["last_sample"])
    name = f"trial {row['order']}"

    # Peak: the greatest centred mean over 20 ms, or 3 samples where that is longer; an odd number of samples.
    width = max(round(0.020 / step_s), 3) | 1
    half = width // 2
    kernel = np.full(width, 1.0 / width)
    around = force_n[first - half : last + half + 1]
    report.expect("peaks", len(around) == last - first + width, f"{name}: its peak's window leaves the recording")
    smooth = np.convolve(around, kernel, "valid")
    at = int(np.argmax(smooth))
    report.near("peaks", f"{name}, peak_zero_n", smooth[at], row["peak_zero_n"])
    report.near("peaks", f"{name}, peak_n", smooth[at] - row["rest_n"], row["peak_n"])
    report.near("peaks", f"{name}, peak_s", device_time_s[first + at], row["peak_s"])
    # Mean: the greatest over one second within the hold, above the level the pull started from.
    second = round(1.0 / step_s)
    inside = force_n[first : last + 1]
    if len(inside) < second:
        report.expect("means", bool(np.isnan(row["mean_n"])), f"{name}: a mean of a hold under 1 s")
    else:
        means = np.convolve(inside, np.full(second, 1.0 / second), "valid")
        report.near("means", f"{name}, mean_n", means.max() - row["rest_n"], row["mean_n"])
    # The hold's samples are those between its onset and its end.
    report.expect("hold samples", device_time_s[first] >= row["onset_s"] - TOLERANCE, f"{name} begins before its onset")
    if first > 0 and device_time_s[first - 1] < device_time_s[first]:
        report.expect("hold samples", device_time_s[first - 1] < row["onset_s"], f"{name} begins after its onset")
    if not np.isnan(row["end_s"]):
        report.expect("hold samples", device_time_s[last] <= row["end_s"] + TOLERANCE, f"{name} ends after its end")


# -- repeats ------------------------------------------------------------------------------------------------------------


def repeats(file):
    """For each item of the plan the mean, SD (n - 1), CV and best of the first three valid peaks above zero."""
    items = collections.defaultdict(list)
    for row in sorted(table(file["trials"]), key=lambda row: row["order"]):
        if row["item"] > 0 and row["valid"] == 1:
            items[int(row["item"])].append(row["peak_zero_n"])
    found = {}
    for item, peaks in items.items():
        peaks = np.array(peaks[:SCORED])
        spread = {"mean_of_peaks_n": peaks.mean(), "best_n": peaks.max(), "trials_used": len(peaks)}
        if len(peaks) > 1:
            spread["sd_n"] = peaks.std(ddof=1)
            spread["cv_percent"] = 100.0 * peaks.std(ddof=1) / peaks.mean()
        found[item] = spread
    return found


def check_summary(file, summary, report):
    ours = repeats(file)
    theirs = {item["item"]: item for item in summary["items"] if item["trials_used"] > 0}
    report.expect("summary", set(theirs) == set(ours), f"items {sorted(theirs)}, recomputed {sorted(ours)}")
    for number in set(ours) & set(theirs):
        for name, value in ours[number].items():
            report.near("summary", f"item {number}, {name}", value, theirs[number][name])


# -- all of it ----------------------------------------------------------------------------------------------------------


def check(path, summary=None):
    report = Report()
    with h5py.File(path) as file:
        check_layout(file, report)
        check_readers(path, file, report)
        check_digest(file, report)
        check_samples(file, report)
        check_trials(file, report)
        if summary is not None:
            check_summary(file, summary, report)
    return report


def spoil_force(file):
    """Raises the force where the first hold has its peak."""
    row = table(file["trials"])[0]
    file[f"sensors/{row['sensor']}/samples/force_n"][row["first_sample"] : row["last_sample"] + 1] += np.float32(0.001)


def spoil_scale(file):
    del file["trials/peak_n"].attrs["DIMENSION_LIST"]


def spoil_units(file):
    del file["sensors/1/samples/force_n"].attrs["units"]


def spoil_text(file):
    file["plan/toml"][()] = "something else"


def spoil_filter(file):
    values = file["trials/peak_n"][:]
    del file["trials/peak_n"]
    file["trials/peak_n"] = values


def spoil_time(file):
    file["sensors/1/samples/time_s"][5] = 0.0


SPOILERS = [
    (spoil_force, {"peaks", "means", "content_sha256"}),
    (spoil_scale, {"scales"}),
    (spoil_units, {"description", "content_sha256"}),
    (spoil_text, {"content_sha256"}),
    (spoil_filter, {"filters", "scales"}),
    (spoil_time, {"samples", "content_sha256"}),
]


def self_test(path):
    """Whether each kind of damage is noticed by the checks that are there to notice it."""
    missed = []
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for spoil, expected in SPOILERS:
            shutil.copyfile(path, "spoiled.h5")
            os.chmod("spoiled.h5", 0o600)
            with h5py.File("spoiled.h5", "r+") as file:
                spoil(file)
            noticed = {problem.split(":")[0] for problem in check("spoiled.h5").problems}
            if not expected <= noticed:
                missed.append(f"{spoil.__name__}: noticed by {sorted(noticed)}, not by {sorted(expected - noticed)}")
    return missed


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("files", nargs="+", metavar="FILE")
    parser.add_argument("--summary", metavar="SUMMARY.json")
    parser.add_argument("--self-test", action="store_true")
    arguments = parser.parse_args()
    if arguments.summary and len(arguments.files) != 1:
        parser.error("--summary goes with one recording")
    summary = None
    if arguments.summary:
        with open(arguments.summary, encoding="utf-8") as file:
            summary = json.load(file)
    problems = []
    for path in map(os.path.abspath, arguments.files):
        report = check(path, summary)
        problems += report.problems
        compared = ", ".join(f"{what} {count}" for what, count in report.compared.items())
        print(f"{path}: {len(report.problems)} problems; compared: {compared}")
        for note in report.notes:
            print(f"  {note}")
        if arguments.self_test:
            missed = self_test(path)
            problems += missed
            print(f"  spoiled copies: {len(SPOILERS) - len(missed)} of {len(SPOILERS)} noticed")
    for problem in problems:
        print(f"problem: {problem}", file=sys.stderr)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
