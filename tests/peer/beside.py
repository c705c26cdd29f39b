"""`fingerforce holds` and the Python peer (offline.py) in turn over the same long records.

    beside.py FINGERFORCE [--samples N ...] [--runs N] [--counts] [--folder FOLDER]

Makes the records, has both find and measure all holds of each, and prints medians: seconds (of the peer also without
starting Python), processor seconds, peak memory of all processes of a run together, and the ratio run by run, ours over the
peer's: below 1 is faster. The files are read once before, so that both find them in memory. Linux only.
"""

import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import threading
import time

PEER = pathlib.Path(__file__).with_name("offline.py")
LOOK_S = 0.02


def peak_mb(process):
    """Peak memory so far of a process and its children, MB."""
    children = pathlib.Path(f"/proc/{process}/task/{process}/children").read_text().split()
    status = pathlib.Path(f"/proc/{process}/status").read_text()
    own = [int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM")]
    return sum(own) + sum(peak_mb(child) for child in children)


def run(command):
    """What it printed, seconds, processor seconds, peak memory (MB)."""
    with tempfile.TemporaryFile() as out:
        begun = time.perf_counter()
        process = subprocess.Popen(command, stdout=out)
        ended, peak = threading.Event(), [0.0]

        def look():
            while not ended.wait(LOOK_S):
                try:
                    peak[0] = max(peak[0], peak_mb(process.pid))
                except OSError:  # one of them has just ended
                    pass

        looking = threading.Thread(target=look)
        looking.start()
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
        ended.set()
        looking.join()
        if process.returncode:
            sys.exit(f"{command} ended with {process.returncode}")
        out.seek(0)
        return json.load(out), seconds, used.ru_utime + used.ru_stime, peak[0]


def scaling(path):
    """The options that make the dataset's values N."""
    import h5py

    with h5py.File(path) as file:
        attributes = file["force"].attrs
        return ["--scale", repr(float(attributes["newton_per_unit"])), "--offset", repr(float(attributes["offset_n"]))]


def compare(ours, path, runs):
    ours = [ours, "holds", str(path), "--dataset", "force", "--rate", "1000", "--json", *scaling(path)]
    peer = [sys.executable, str(PEER), "find", str(path)]
    subprocess.run(["cat", str(path)], stdout=subprocess.DEVNULL, check=True)
    rows = []
    for _ in range(runs):
        (found, *own), (peers, *other) = run(ours), run(peer)
        holds = sum(hold["kind"] == "hold" for hold in found["holds"])
        if holds != peers["holds"]:
            sys.exit(f"{path}: {holds} holds, and {peers['holds']} by the peer")
        rows.append([*own, *other, peers["seconds"], own[0] / other[0], own[0] / peers["seconds"], own[1] / other[1]])
    return [holds, *(statistics.median(column) for column in zip(*rows))]


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fingerforce")
    parser.add_argument("--samples", type=float, nargs="+", default=[1e7, 3e7, 1e8])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--counts", action="store_true", help="a converter's counts instead of N")
    parser.add_argument("--folder", type=pathlib.Path, default=pathlib.Path(tempfile.gettempdir()))
    given = parser.parse_args()
    print("             ours                 peer                          ours / peer")
    print("samples  holds     s  cpu s    MB     s  cpu s    MB  inner s     s  s/inner  cpu s", flush=True)
    for samples in map(int, given.samples):
        with tempfile.TemporaryDirectory(dir=given.folder) as folder:
            path = pathlib.Path(folder) / "force.h5"
            make = [sys.executable, str(PEER), "make", str(path), "--samples", str(samples)]
            subprocess.run(make + ["--counts"] * given.counts, check=True)
            holds, s, cpu, mb, s2, cpu2, mb2, inner, *ratios = compare(given.fingerforce, path, given.runs)
        row = f"{samples:7.0e} {holds:6} {s:5.2f} {cpu:6.2f} {mb:5.0f} {s2:5.2f} {cpu2:6.2f} {mb2:5.0f} {inner:8.2f}"
        print(row + " {:5.2f} {:8.2f} {:6.2f}".format(*ratios), flush=True)


if __name__ == "__main__":
    main()
