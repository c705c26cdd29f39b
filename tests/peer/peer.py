"""What a careful lab programmer would write in Python: decode the sensor's bytes, check them, store them, find holds.

    peer.py STREAM [--repeats N]

Comes in: raw bytes as a port delivered them (the pipeline benchmark writes such a file). Goes out: samples per second
for decoding alone, and for decoding, storing in HDF5 (shuffle, deflate 1) and finding holds by a threshold with
hysteresis. The comparison for `cargo bench -p daemon --bench pipeline`; per-byte work is in C here too.
"""

import argparse
import binascii
import pathlib
import struct
import tempfile
import time

import h5py
import numpy as np
from cobs import cobs

HEAD = struct.Struct("<BIIQQIBBB")  # kind, boot id, sequence, first sample, device time µs, interval ns, status, channels, samples
SAMPLES = 0x02


def decode(stream):
    """Counts of all good samples frames, in order, and how many frames were damaged."""
    blocks, damaged, expected = [], 0, 0
    for frame in stream.split(b"\0"):
        if not frame:
            continue
        try:
            body = cobs.decode(frame)
        except cobs.DecodeError:
            damaged += 1
            continue
        if len(body) < 5 or binascii.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
            damaged += 1
            continue
        if body[0] != SAMPLES:
            continue
        head = HEAD.unpack_from(body)
        if head[3] < expected:
            continue
        expected = head[3] + head[8]
        blocks.append(np.frombuffer(body, "<i4", head[7] * head[8], HEAD.size).reshape(head[8], head[7]))
    return blocks, damaged


def store(blocks, path):
    with h5py.File(path, "w") as file:
        data = file.create_dataset("counts", (0, blocks[0].shape[1]), "i4", maxshape=(None, blocks[0].shape[1]),
                                   chunks=(16384, blocks[0].shape[1]), shuffle=True, compression="gzip", compression_opts=1)
        pending, at = [], 0
        for block in blocks:
            pending.append(block)
            if len(pending) >= 800:
                rows = np.concatenate(pending)
                data.resize(at + len(rows), axis=0)
                data[at:] = rows
                at, pending = at + len(rows), []
        if pending:
            rows = np.concatenate(pending)
            data.resize(at + len(rows), axis=0)
            data[at:] = rows


def holds(blocks, n_per_count, high_n=2.0, low_n=1.0):
    force_n = np.concatenate(blocks)[:, 0] * n_per_count
    force_n -= np.median(force_n[:500])
    state = np.full(len(force_n), -1, np.int8)
    state[force_n >= high_n], state[force_n < low_n] = 1, 0
    known = np.maximum.accumulate(np.where(state >= 0, np.arange(len(state)), 0))
    edges = np.diff(state[known].clip(0))
    return [(force_n[a:b].max(), force_n[a:b].mean()) for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1))]


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("stream", type=pathlib.Path)
    arguments.add_argument("--repeats", type=int, default=5)
    arguments = arguments.parse_args()
    stream = arguments.stream.read_bytes()
    decoding, whole = [], []
    for _ in range(arguments.repeats):
        began = time.perf_counter()
        blocks, damaged = decode(stream)
        decoded = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            store(blocks, pathlib.Path(folder) / "counts.h5")
        found = holds(blocks, 200 / 8e6)
        decoding.append(decoded - began)
        whole.append(time.perf_counter() - began)
    samples = sum(map(len, blocks))
    print("%d samples, %d damaged frames, %d holds" % (samples, damaged, len(found)))
    print("decode: %.0f samples/s (median of %d)" % (samples / sorted(decoding)[len(decoding) // 2], len(decoding)))
    print("decode, store, find: %.0f samples/s" % (samples / sorted(whole)[len(whole) // 2]))


if __name__ == "__main__":
    main()
