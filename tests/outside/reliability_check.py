"""Holds `fingerforce reliability --table … --json` against pingouin, statsmodels and scipy on random tables.

    reliability_check.py FOLDER_OF_THE_PROGRAMS [--tables N]

Tables of many sizes from a fixed seed: ordinary ones, with ties, without differences between subjects (negative ICC), with
hardly any error (near-singular), far from zero, small and large. Where the method is the same, results agree to 1e-9 of the
larger of the value and 1. The mean squares and F are also held, relatively, against exact fractions, because on near-singular
tables the least-squares fit behind pingouin loses digits of F (seen: 3e-4): there F is held against the fractions only.
Exit code 1 with the first thing that differs.
"""

import argparse
import csv
import fractions
import json
import pathlib
import subprocess
import sys
import tempfile
import warnings

import numpy as np
import pandas as pd
import pingouin as pg
import scipy.stats as st
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

KINDS = ["ordinary", "ties", "no subjects", "near-singular", "far from zero", "small", "shifted"]


def table(rng, kind):
    n, k = int(rng.integers(4, 40)), int(rng.integers(2, 7))
    between, error, shift, mean = 5.0, 1.5, 0.5, 30.0
    if kind == "no subjects":
        between = 0.0
    if kind == "near-singular":
        error = 1e-5
    if kind == "small":
        n, k = int(rng.integers(3, 6)), 2
    if kind == "shifted":
        shift = 8.0
    if kind == "far from zero":
        mean = 1e5
    values = mean + between * rng.normal(size=(n, 1)) + shift * rng.normal(size=(1, k)) + error * rng.normal(size=(n, k))
    return np.round(values) if kind == "ties" else values


def reliability(program, path):
    done = subprocess.run([program, "reliability", "--table", path, "--json"], capture_output=True, text=True, check=True)
    (analysis,) = json.loads(done.stdout)["analyses"]
    return analysis


class Check:
    def __init__(self, where, singular):
        self.where, self.singular, self.worst, self.count, self.none = where, singular, 0.0, 0, 0

    def same(self, what, ours, theirs):
        if self.singular and what.endswith(" f"):
            return  # held against exact fractions instead
        error = abs(ours - theirs) / max(1.0, abs(theirs))
        self.count += 1
        self.worst = max(self.worst, error)
        if not error <= 1e-9:
            sys.exit("%s: %s: %r here, %r there (%.1e)" % (self.where, what, ours, theirs, error))


    def relative(self, what, ours, truth):
        error = abs(ours / truth - 1)
        self.count += 1
        if not error <= 1e-9:
            sys.exit("%s: %s: %r here, %r exactly (%.1e)" % (self.where, what, ours, truth, error))


def icc(check, analysis, long):
    pg.options["round.column.CI95"] = None
    pg.options["round.column.CI95%"] = None
    theirs = pg.intraclass_corr(long, targets="subject", raters="occasion", ratings="value")
    interval = next(name for name in theirs.columns if name.startswith("CI95"))
    assert len(theirs) == 6 and len(analysis["icc"]) == 6
    order = ["(1,1)", "(A,1)", "(C,1)", "(1,k)", "(A,k)", "(C,k)"]
    names = dict(zip(order, analysis["icc"]))
    for _, row in theirs.iterrows():
        (name,) = [name for name in order if name in str(row["Type"])] or [
            {"ICC1": "(1,1)", "ICC2": "(A,1)", "ICC3": "(C,1)", "ICC1k": "(1,k)", "ICC2k": "(A,k)", "ICC3k": "(C,k)"}[row["Type"]]
        ]
        ours = names[name]
        pairs = [("icc", row["ICC"]), ("f", row["F"]), ("df1", row["df1"]), ("df2", row["df2"])]
        pairs += [("p", row["pval"]), ("low", row[interval][0]), ("high", row[interval][1])]
        # An end that no ICC of a mean can have: the single value's is below what one can have, and we give none.
        single = names[name.replace("k", "1")]
        least = -1 / (analysis["k"] - 1)
        for what, value in pairs:
            if "k" in name and what in ("low", "high") and ours[what] is None:
                assert single[what] <= least, "%s %s: none here, %r there" % (name, what, value)
                check.none += 1
                continue
            check.same("%s %s" % (name, what), ours[what], float(value))


def exact(check, analysis, values):
    exactly = [[fractions.Fraction(float(value)) for value in row] for row in values]
    n, k = values.shape
    mean = sum(map(sum, exactly)) / (n * k)
    rows, columns = [sum(row) / k for row in exactly], [sum(row[j] for row in exactly) / n for j in range(k)]
    subjects = k * sum((row - mean) ** 2 for row in rows) / (n - 1)
    occasions = n * sum((column - mean) ** 2 for column in columns) / (k - 1)
    left = sum((exactly[i][j] - rows[i] - columns[j] + mean) ** 2 for i in range(n) for j in range(k))
    error = left / ((n - 1) * (k - 1))
    ours = analysis["mean_squares"]
    for what, value, truth in [
        ("subjects", ours["subjects"], subjects),
        ("occasions", ours["occasions"], occasions),
        ("error", ours["error"], error),
        ("F of ICC(3,1)", analysis["icc"][2]["f"], subjects / error),
    ]:
        check.relative("exact " + what, value, float(truth))


def mean_squares(check, analysis, long):
    fit = smf.ols("value ~ C(subject) + C(occasion)", data=long.assign(value=long.value - long.value.mean())).fit()
    anova = anova_lm(fit)
    check.same("MS subjects", analysis["mean_squares"]["subjects"], anova.loc["C(subject)", "mean_sq"])
    check.same("MS occasions", analysis["mean_squares"]["occasions"], anova.loc["C(occasion)", "mean_sq"])
    check.same("MS error", analysis["mean_squares"]["error"], anova.loc["Residual", "mean_sq"])
    check.same("p of occasions", analysis["mean_squares"]["occasions_p"], anova.loc["C(occasion)", "PR(>F)"])


def error_of_measurement(check, analysis, values):
    n, k = values.shape
    residual = values - values.mean(1, keepdims=True) - values.mean(0) + values.mean()
    df = (n - 1) * (k - 1)
    squares = (residual**2).sum()
    sem = analysis["consistency"]["sem"]
    check.same("SEM", sem["value"], np.sqrt(squares / df))
    check.same("SEM low", sem["low"], np.sqrt(squares / st.chi2.ppf(0.975, df)))
    check.same("SEM high", sem["high"], np.sqrt(squares / st.chi2.ppf(0.025, df)))
    factor = np.sqrt(2) * st.norm.ppf(0.975)
    check.same("MDC95", analysis["consistency"]["mdc95"]["value"], factor * np.sqrt(squares / df))
    check.same("MDC90", analysis["consistency"]["mdc90"]["value"], np.sqrt(2) * st.norm.ppf(0.95) * np.sqrt(squares / df))
    if values.mean() > 0:
        for name in ["sem", "mdc90", "mdc95"]:
            for end in ["value", "low", "high"]:
                percent = 100 * analysis["consistency"][name][end] / values.mean()
                check.same("%s %s, %%" % (name, end), analysis["consistency_percent"][name][end], percent)
    within = ((values - values.mean(1, keepdims=True)) ** 2).sum() / (n * (k - 1))
    check.same("SEM of all", analysis["sem_all_values"]["sem"]["value"], np.sqrt(within))


def agreement(check, analysis, values):
    assert len(analysis["pairs"]) == values.shape[1] - 1
    for later, pair in enumerate(analysis["pairs"], start=1):
        first, last = values[:, 0], values[:, later]
        difference = last - first
        interval = st.ttest_1samp(difference, 0).confidence_interval()
        check.same("bias", pair["limits"]["bias"]["value"], difference.mean())
        check.same("bias low", pair["limits"]["bias"]["low"], interval.low)
        check.same("bias high", pair["limits"]["bias"]["high"], interval.high)
        # Bland & Altman 1986: the standard error of a limit is about the root of 3 SD² / n; Student's t with n − 1.
        half = st.t(len(difference) - 1).interval(0.95)[1] * np.sqrt(3 * difference.var(ddof=1) / len(difference))
        for name, sign in [("lower", -1), ("upper", 1)]:
            limit = difference.mean() + sign * st.norm.ppf(0.975) * difference.std(ddof=1)
            check.same(name + " limit", pair["limits"][name]["value"], limit)
            check.same(name + " limit, low", pair["limits"][name]["low"], limit - half)
            check.same(name + " limit, high", pair["limits"][name]["high"], limit + half)
        line = st.linregress((first + last) / 2, difference)
        check.same("slope", pair["bias_on_mean"]["slope"], line.slope)
        check.same("p of the slope", pair["bias_on_mean"]["p"], line.pvalue)
    slopes = [np.polyfit(np.arange(len(row)), row, 1)[0] for row in values - values.mean()]
    trend = st.ttest_1samp(slopes, 0)
    check.same("trend", analysis["trend_over_occasions"]["slope"]["value"], trend.statistic * np.std(slopes, ddof=1) / np.sqrt(len(slopes)))
    check.same("p of the trend", analysis["trend_over_occasions"]["p"], trend.pvalue)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("programs", type=pathlib.Path)
    parser.add_argument("--tables", type=int, default=210)
    arguments = parser.parse_args()
    program = arguments.programs.resolve() / "fingerforce"
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(20260302)
    count, none, worst = 0, 0, {}
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "table.csv"
        for number in range(arguments.tables):
            kind = KINDS[number % len(KINDS)]
            values = table(rng, kind)
            with path.open("w", newline="") as out:
                writer = csv.writer(out)
                writer.writerow(["subject"] + ["o%d" % j for j in range(values.shape[1])])
                writer.writerows([["S%d" % i] + [repr(float(v)) for v in row] for i, row in enumerate(values)])
            analysis = reliability(program, path)
            frame = pd.DataFrame(values)
            long = frame.reset_index().melt(id_vars="index", var_name="occasion", value_name="value").rename(columns={"index": "subject"})
            check = Check("table %d (%s, %d × %d)" % ((number, kind) + values.shape), kind == "near-singular")
            exact(check, analysis, values)
            icc(check, analysis, long)
            mean_squares(check, analysis, long)
            error_of_measurement(check, analysis, values)
            agreement(check, analysis, values)
            count += check.count
            none += check.none
            worst[kind] = max(worst.get(kind, 0.0), check.worst)
    print("%d ends of an ICC of means are not given, because a single value's could not be there" % none)
    print("%d tables, %d numbers agree with pingouin, statsmodels and scipy; greatest difference:" % (arguments.tables, count))
    for kind, value in worst.items():
        print("  %-14s %.1e" % (kind, value))


if __name__ == "__main__":
    main()
