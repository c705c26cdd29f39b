"""Holds `fingerforce export` against other people's readers: h5py, polars, DuckDB, fhir.resources.

    export_check.py FOLDER_OF_THE_PROGRAMS

Comes in: the programs, and `sample-study` beside them, which writes the invented study of fixtures/study, with pulls that
were not scored, a trial that slipped and a visit that is missing. Its trials are read with h5py; then every export must say the same:

* CSV, JSON and Parquet (one file) hold every number of `/trials`, to the last bit;
* a Parquet dataset of two sites, partitioned by site and date, gives DuckDB and polars the means, per participant, muscle
  and site, that numpy gives of what h5py reads;
* FHIR is a Bundle of R4 resources: parsed by fhir.resources' models of R4B (the package has none of R4 itself; R4B, 4.3.0,
  left Bundle, Observation and Device as they are in R4), with the forces of the recordings to a thousandth, UCUM codes
  only, and either a value or a reason why there is none. Spoiled Bundles must be refused;
* BIDS: bids-validator takes every name, and the traces are the forces that h5py reads, each at its time.

Exit code 1 with the first thing that differs.
"""

import collections
import copy
import csv
import gzip
import json
import pathlib
import subprocess
import sys
import tempfile

import duckdb
import h5py
import numpy as np
import polars as pl
from bids_validator import BIDSValidator
from fhir.resources.R4B.bundle import Bundle

# Units of our columns in UCUM (ucum.org: N, s, m, % and 1 are in table 1 to 3; products are written with a dot).
UCUM = {"N", "N/s", "N.s", "N.cm", "s", "mm", "%", "1"}
# hl7.org/fhir/R4/valueset-data-absent-reason.html, from memory.
ABSENT = {"unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable", "unsupported",
          "as-text", "error", "not-a-number", "negative-infinity", "positive-infinity", "not-performed", "not-permitted"}
SITE_OF_FIRST, SITE_OF_REST = "S1", "S2"
FIRST = 6


def run(*command):
    return subprocess.run([str(word) for word in command], check=True, stdin=subprocess.DEVNULL, capture_output=True).stdout


def expect(holds, what):
    if not holds:
        sys.exit("export_check: " + what)


def read(path):
    """The trials of a recording by h5py, a dictionary a row, with whose they are."""
    with h5py.File(path) as file:
        trials = file["trials"]
        columns = {name: (d.asstr()[:] if h5py.check_string_dtype(d.dtype) else d[:]) for name, d in trials.items() if name != "row"}
        whose = {name: file.attrs[name] for name in ("participant", "examiner", "visit_id", "revision", "started_utc")}
        return [{**whose, **dict(zip(columns, values))} for values in zip(*columns.values())]


def same(ours, theirs):
    """Bit for bit; unknown is NaN in a recording and nothing in an export."""
    if isinstance(theirs, (float, np.floating)):
        return ours is None if np.isnan(theirs) else ours == theirs
    return ours == theirs


def typed(cell, like):
    """A cell of CSV as what the recording has in its place."""
    if isinstance(like, np.floating):
        return float(cell) if cell else None
    return int(cell) if isinstance(like, np.integer) else cell


def check_rows(name, exported, recorded):
    expect(len(exported) == len(recorded), "%s has %d rows of %d" % (name, len(exported), len(recorded)))
    count = 0
    for ours, theirs in zip(exported, recorded):
        for column, value in theirs.items():
            expect(same(ours[column], value), "%s, %s: %r, recorded %r" % (name, column, ours[column], value))
            count += 1
    print("%s: %d rows, %d values are those that h5py reads" % (name, len(exported), count))


def means(rows, *keys):
    groups = collections.defaultdict(list)
    for row in rows:
        if row["valid"] == 1:
            groups[tuple(row[key] for key in keys)].append(row["peak_zero_n"])
    return {key: (len(peaks), np.mean(peaks)) for key, peaks in groups.items()}


def check_means(name, found, expected):
    expect(set(found) == set(expected), "%s: groups differ: %s" % (name, set(found) ^ set(expected)))
    for key, (n, mean_n) in expected.items():
        expect(found[key][0] == n and abs(found[key][1] - mean_n) <= 1e-12 * mean_n, "%s, %s: %s, %s" % (name, key, found[key], (n, mean_n)))
    print("%s: %d means are those of the recordings" % (name, len(expected)))


def check_dataset(folder, recorded):
    keys = ["participant", "muscle", "site", "date"]
    expected = means(recorded, *keys)
    files = "%s/site=*/date=*/*.parquet" % folder
    query = "SELECT participant, muscle, site, CAST(date AS VARCHAR), count(*), avg(peak_zero_n) FROM read_parquet('%s', hive_partitioning = true) WHERE valid = 1 GROUP BY ALL"
    rows = duckdb.sql(query % files).fetchall()
    check_means("DuckDB", {row[:4]: row[4:] for row in rows}, expected)
    frame = pl.scan_parquet(files, hive_partitioning=True).filter(pl.col("valid") == 1).group_by(keys)
    frame = frame.agg(pl.len().alias("n"), pl.col("peak_zero_n").mean().alias("mean")).collect()
    rows = {(*row[:3], str(row[3])): row[4:] for row in frame.rows()}
    check_means("polars", rows, expected)
    nothing = duckdb.sql("SELECT count(*), count(break_n), count(site) FROM read_parquet('%s', hive_partitioning = true)" % files).fetchall()[0]
    expect(nothing == (len(recorded), 0, len(recorded)), "what is not known is no null: %s" % (nothing,))


def quantities(resource):
    for holder in [resource, *resource.get("component", [])]:
        has = [name for name in holder if name.startswith("value")]
        expect(len(has) + ("dataAbsentReason" in holder) == 1, "neither a value nor a reason, or both: %s" % holder)
        if "valueQuantity" in holder:
            of = holder["valueQuantity"]
            expect(of["system"] == "http://unitsofmeasure.org" and of["code"] in UCUM, "no UCUM unit: %s" % of)
        for coding in holder.get("dataAbsentReason", {}).get("coding", []):
            expect(coding["code"] in ABSENT, "no such reason: %s" % coding)


def check_fhir(text, recorded):
    bundle = json.loads(text)
    Bundle.model_validate_json(text)
    resources = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    expect(len(resources) == len(bundle["entry"]), "a URL is used twice")
    of_trials = [r for r in resources.values() if r["resourceType"] == "Observation" and "device" in r]
    # Pulls to get used to the test have no number and are no observations.
    scored = [row for row in recorded if row["number"] > 0]
    expect(0 < len(scored) < len(recorded) and not all(row["valid"] for row in scored), "every trial counts: nothing is tried")
    expect(len(of_trials) == len(scored), "%d trials of %d" % (len(of_trials), len(scored)))
    for ours, theirs in zip(of_trials, scored):
        expect(ours["subject"]["identifier"]["value"] == theirs["participant"], "another participant")
        expect(abs(ours["valueQuantity"]["value"] - theirs["peak_zero_n"]) <= 0.0005 + 1e-9, "another peak: %s" % ours["valueQuantity"])
        by_code = {part["code"]["coding"][0]["code"]: part for part in ours["component"]}
        expect(by_code["break_n"]["dataAbsentReason"]["coding"][0]["code"] == "not-applicable", "a make test has no break")
        expect(abs(by_code["mean_n"]["valueQuantity"]["value"] - theirs["mean_n"]) <= 0.0005 + 1e-9, "another mean")
        expect(by_code["valid"]["valueBoolean"] == (theirs["valid"] == 1), "a trial that does not count counts, or the reverse")
        expect(resources[ours["device"]["reference"]]["resourceType"] == "Device", "no such device")
    results = [r for r in resources.values() if "hasMember" in r]
    for result in results:
        peaks = [resources[member["reference"]]["valueQuantity"]["value"] for member in result["hasMember"]]
        expect(len(peaks) == 3 and abs(np.mean(peaks) - result["valueQuantity"]["value"]) <= 0.001 + 1e-9, "a mean of other trials")
    for resource in resources.values():
        if resource["resourceType"] == "Observation":
            quantities(resource)
    check_refusals(bundle)
    print("FHIR: %d resources, %d results, %d trials" % (len(resources), len(results), len(of_trials)))


def check_refusals(bundle):
    """The models do look: what is not R4 is refused."""
    observation = next(at for at, entry in enumerate(bundle["entry"]) if entry["resource"]["resourceType"] == "Observation")
    spoils = [lambda of: of.pop("status"), lambda of: of.pop("code"), lambda of: of.update(weight=1),
              lambda of: of.update(effectiveDateTime="yesterday"), lambda of: of["component"][0].pop("code")]
    for spoil in spoils:
        spoiled = copy.deepcopy(bundle)
        spoil(spoiled["entry"][observation]["resource"])
        try:
            Bundle.model_validate_json(json.dumps(spoiled))
        except ValueError:
            continue
        sys.exit("export_check: a spoiled Bundle was taken")


def check_bids(folder, files):
    names = sorted("/" + str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())
    for name in names:
        expect(BIDSValidator().is_bids(name), "no name of BIDS: " + name)
    traces = sorted(folder.rglob("*_physio.tsv.gz"))
    expect(len(traces) == len(files), "%d traces of %d recordings" % (len(traces), len(files)))
    count = 0
    for trace, path in zip(traces, files):
        about = json.loads(trace.with_name(trace.name.replace(".tsv.gz", ".json")).read_text())
        with gzip.open(trace, "rt") as text:
            rows = np.array([[np.nan if cell == "n/a" else np.float32(cell) for cell in line.split("\t")] for line in text])
        with h5py.File(path) as file:
            samples = file["sensors/1/samples"]
            force_n, time_s = samples["force_n"][:], samples["device_time_s"][:]
            step_s = file["sensors/1/segments/interval_ns"][0] * 1e-9
            trials = file["trials/onset_s"][:]
        places = np.round((time_s - time_s[0]) / step_s).astype(int)
        expect(abs(about["SamplingFrequency"] * step_s - 1) < 1e-12 and rows.shape == (places[-1] + 1, force_n.shape[1]), "%s: %s" % (trace.name, rows.shape))
        expect(len(about["Columns"]) == force_n.shape[1], "columns")
        expect(np.array_equal(rows[places].astype(np.float32), force_n), "%s: other forces" % trace.name)
        events = pl.read_csv(trace.with_name(trace.name.split("_recording-")[0] + "_events.tsv"), separator="\t")
        described = json.loads((folder / "task-fingerforce_events.json").read_text())
        expect(list(described) and set(events.columns) == set(described), "%s: columns %s" % (trace.name, events.columns))
        expect(np.allclose(events["onset"], trials - time_s[0], rtol=0, atol=1e-12), "%s: other onsets" % trace.name)
        count += len(rows)
    print("BIDS: %d names, %d traces, %d samples" % (len(names), len(traces), count))


def main():
    programs = pathlib.Path(sys.argv[1]).resolve()
    program = programs / "fingerforce"
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        run(programs / "sample-study", folder / "study")
        files = sorted((folder / "study").glob("*.h5"))
        recorded = [row for path in files for row in read(path)]
        expect(len(files) == 48 and len(recorded) == 385, "the study has %d recordings, %d trials" % (len(files), len(recorded)))

        rows = csv.DictReader(run(program, "export", *files, "--to", "csv").decode().splitlines())
        check_rows("CSV", [{name: typed(cell, recorded[0].get(name)) for name, cell in row.items()} for row in rows], recorded)

        document = json.loads(run(program, "export", *files, "--to", "json"))
        rows = [{**{key: of[key] for key in ("participant", "examiner", "visit_id", "revision", "started_utc")}, **row} for of in document["recordings"] for row in of["trials"]]
        check_rows("JSON", rows, recorded)

        one = folder / "trials.parquet"
        run(program, "export", *files, "--to", "parquet", "--out", one)
        check_rows("Parquet", pl.read_parquet(one).rows(named=True), recorded)
        table = duckdb.read_parquet(str(one))
        check_rows("Parquet in DuckDB", [dict(zip(table.columns, row)) for row in table.fetchall()], recorded)
        units = json.loads(dict(duckdb.sql("SELECT decode(key), decode(value) FROM parquet_kv_metadata('%s')" % one).fetchall())["finger-force columns"])
        expect(units["peak_zero_n"]["units"] == "N" and set(units) >= set(recorded[0]), "the columns' units are not in the file")

        for site, own in [(SITE_OF_FIRST, files[: 4 * FIRST]), (SITE_OF_REST, files[4 * FIRST :])]:
            run(program, "export", *own, "--to", "parquet", "--site", site, "--out", folder / "dataset")
        for row in recorded:
            row["site"] = SITE_OF_FIRST if int(row["participant"][1:]) <= FIRST else SITE_OF_REST
            row["date"] = row["started_utc"][:10]
        check_dataset(folder / "dataset", recorded)
        run(program, "export", *files, "--to", "bids", "--out", folder / "bids")
        check_bids(folder / "bids", sorted(files, key=lambda path: (read(path)[0]["participant"], read(path)[0]["started_utc"])))
        check_fhir(run(program, "export", *files, "--to", "fhir").decode(), recorded)


if __name__ == "__main__":
    main()
