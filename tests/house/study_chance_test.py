#!/usr/bin/python3
"""The study's chance: exact binomial test, Holm's correction, counting of intervals, seeds; against published values."""
import pathlib
import sys

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[2] / "tools" / "study_parts"))
import chance

failures = []


def check(what, found, wanted, within=0.0):
    same = found == wanted if within == 0.0 else abs(found - wanted) <= within
    if not same:
        failures.append(f"{what}: expected {wanted} within {within}, found {found}")


# W. J. Conover, Practical Nonparametric Statistics (1971), p. 97: Mendel's 682 of 925 plants against 3/4, two-sided
# p = 0.3825 (from memory).
check("Mendel's plants", chance.binomial_test(682, 925, 0.75), 0.3825, 0.00005)
# The textbook die: 51 sixes in 235 throws, two-sided p = 0.0437 (from memory).
check("the die", chance.binomial_test(51, 235, 1.0 / 6.0), 0.0437, 0.00005)
# Cumulative binomial tables, n = 20, p = 0.05: P(X <= 0) = 0.3585, P(X <= 1) = 0.7358, P(X <= 2) = 0.9245; so 18 of
# 20 and fewer 0.2642, 17 and fewer 0.0755. All outcomes likelier than 17 of 20 are those of 18 and more.
check("17 of 20 against 95 %", chance.binomial_test(17, 20, 0.95), 0.0755, 0.00005)
# 20 of 20 is likelier than 18 of 20, so that 18 takes all but 19 and 20; 19 is the likeliest: p = 1.
check("18 of 20 against 95 %", chance.binomial_test(18, 20, 0.95), 0.2642, 0.00005)
check("19 of 20 against 95 %", chance.binomial_test(19, 20, 0.95), 1.0, 1e-9)
check("nothing seen", chance.binomial_test(0, 0, 0.95), 1.0)
# Law: the distribution sums to 1, however long.
check("sum of a long one", chance.binomial_test(950, 1000, 0.95), 1.0, 1e-9)

# Published tables of exact limits of a share, 95 %: 0 of 10 up to 0.3085; 7 of 20 from 0.1539 to 0.5922 (from memory).
# All of n: from 0.025^(1/n), in closed form.
for k, n, wanted in ((0, 10, (0.0, 0.3085)), (7, 20, (0.1539, 0.5922)), (41, 41, (0.025 ** (1.0 / 41.0), 1.0))):
    for found, limit in zip(chance.exact_interval(k, n), wanted):
        check(f"limits of {k} of {n}", found, limit, 0.00006)

# The encyclopaedia's example of Holm's method: 0.01, 0.04, 0.03, 0.005 give 0.03, 0.06, 0.06, 0.02 (from memory).
for found, wanted in zip(chance.holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02]):
    check("Holm", found, wanted, 1e-12)
check("Holm of one", chance.holm([0.2]), [0.2])
check("Holm leaves out what was not tested", chance.holm([None, 0.3, 0.4]), [None, 0.6, 0.6])
check("Holm stays below 1", chance.holm([0.7, 0.8]), [1.0, 1.0])

# Counting: ends belong to the interval; no value and no interval are no miss.
entry = lambda truth, value, lo, hi: {"truth": truth, "value": value, "lo": lo, "hi": hi}
check("inside", chance.covers(entry(1.0, 1.1, 0.9, 1.3)), True)
check("on the end", chance.covers(entry(0.9, 1.1, 0.9, 1.3)), True)
check("outside", chance.covers(entry(0.89, 1.1, 0.9, 1.3)), False)
check("no value", chance.covers({"truth": 1.0, "value": None}), None)
check("no interval", chance.covers(entry(1.0, 1.1, None, None)), None)
hit, miss = entry(1.0, 1.1, 0.9, 1.3), entry(2.0, 1.1, 0.9, 1.3)
point = lambda clip, seed, said: {"clip": clip, "seed": seed, "program": {"mean": said}}
points = [point("a", 4, hit), point("a", 4, miss), point("a", 4, {"truth": 1.0, "value": None}),
          point("b", 5, hit), point("b", 5, miss), point("c", 6, miss), point("d", 7, {"truth": 1.0, "value": None})]
# Clip a: two intervals, seed 4 takes the first; b: seed 5 the second; c has one; d none.
check("one a clip", chance.one_a_clip(points, "mean"), (1, 3))
check("another quantity", chance.one_a_clip(points, "sheet"), (0, 0))

# Seeds are the same on every machine and day: what these gave once they give for ever.
check("seed of a clip", chance.seed_of(1, 0), 182967204537045)
check("seed of a commit", chance.seed_of_commit("0" * 40), 83797910064634)
check("another commit, another seed", chance.seed_of_commit("0" * 39 + "1") == chance.seed_of_commit("0" * 40), False)
check("below 2^48", max(chance.seed_of(1, i) for i in range(1000)) < 2**48, True)
check("no two alike", len({chance.seed_of(1, i) for i in range(5000)}), 5000)
for wrong in ("", "HEAD", "0" * 39, "g" * 40):
    try:
        chance.seed_of_commit(wrong)
        failures.append(f"seed of {wrong!r}: taken for a commit's hash")
    except ValueError:
        pass

for failure in failures:
    print(failure)
sys.exit(1 if failures else 0)
