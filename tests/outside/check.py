"""Runs the demo and the checks from outside on what it made.

    check.py FOLDER_OF_THE_PROGRAMS

The demo runs in real time (under a minute). Then its recording is checked by recording_check.py (h5py, xarray with
h5netcdf, netCDF4, numpy), its table against `summary --json`, its figures for being there and well-formed; two sensors
at once (sensors_check.py); every measure of a hold against numpy and scipy (measures_check.py); reliability on random
tables against pingouin, statsmodels and scipy (reliability_check.py); exports read by polars, DuckDB and fhir.resources
(export_check.py); the wire's test vectors against an encoder that is not ours. Exit code 1 with the first thing that
differs.
"""

import json
import pathlib
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree

HERE = pathlib.Path(__file__).resolve().parent
TRIALS = 12


def run(*command):
    print("$", *[str(word) for word in command], flush=True)
    return subprocess.run([str(word) for word in command], check=True, stdin=subprocess.DEVNULL, capture_output=True, text=True)


def png_is_whole(path):
    data = path.read_bytes()
    return data.startswith(b"\x89PNG\r\n\x1a\n") and data[-8:-4] == b"IEND"


def main():
    programs = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as folder:
        out = pathlib.Path(folder) / "demo"
        began = time.monotonic()
        demo = run(programs / "fingerforced", "demo", "--out", out)
        print(demo.stdout, "demo: %.0f s" % (time.monotonic() - began), sep="")
        (recording,) = out.glob("visits/*/recording-1.h5")
        summary = pathlib.Path(folder) / "summary.json"
        summary.write_text(run(programs / "fingerforce", "summary", "--json", recording).stdout)
        checked = run(sys.executable, HERE / "recording_check.py", recording, "--summary", summary, "--self-test")
        print(checked.stdout)
        print(run(programs / "fingerforce", "info", recording, "--verify").stdout)
        info = json.loads(run(programs / "fingerforce", "info", recording, "--json").stdout)
        assert info["participant_fields"] == {"condition": "simulated hand"}, info["participant_fields"]
        plots = out / "plots"
        svgs, pngs = sorted(plots.glob("*.svg")), sorted(plots.glob("*.png"))
        trials = [path for path in svgs if path.name.startswith("trial-")]
        assert len(trials) == TRIALS and len(svgs) == len(pngs), (len(trials), len(svgs), len(pngs))
        outside = [path.name for path in svgs if path.name.startswith("hold-")]
        assert not outside, "efforts of the demo outside every trial: %s" % outside
        for path in svgs:
            xml.etree.ElementTree.parse(path)
        for path in pngs:
            assert png_is_whole(path), path
        print("%d figures, each as SVG and PNG, well-formed" % len(svgs))
    print(run(sys.executable, HERE / "sensors_check.py", programs).stdout)
    print(run(sys.executable, HERE / "measures_check.py", programs / "fingerforce").stdout)
    print(run(sys.executable, HERE / "reliability_check.py", programs).stdout)
    print(run(sys.executable, HERE / "export_check.py", programs).stdout)
    print(run(sys.executable, HERE.parent.parent / "fixtures/wire/make_vectors.py", "--check").stdout)


if __name__ == "__main__":
    try:
        main()
    except subprocess.CalledProcessError as error:
        print(error.stdout, error.stderr, sep="\n")
        sys.exit("failed: %s" % error)
