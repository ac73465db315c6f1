"""Errors of many points into Markdown tables."""
import math

import numpy as np

import chance

# key, title, unit, decimals, whether errors are in per cent of the truth
QUANTITIES = [
    ("mean", "half angle, mean", "deg", 3, False),
    ("left", "half angle, left", "deg", 3, False),
    ("right", "half angle, right", "deg", 3, False),
    ("lean", "lean", "deg", 3, False),
    ("apparent", "apparent half angle", "deg", 3, False),
    ("lean_shown", "lean in the picture", "deg", 3, False),
    ("sheet", "sheet half angle", "deg", 3, False),
    ("sheet_shown", "sheet in the picture", "deg", 3, False),
    ("cone", "cone half angle", "deg", 3, False),
    ("cone_shown", "cone in the picture", "deg", 3, False),
    ("breakup", "breakup length, in view", "%", 2, True),
    ("cd", "Cd", "%", 3, True),
    ("flow_area", "flow area", "%", 3, True),
    ("pressure", "pressure drop", "%", 3, True),
    ("flow", "flow", "%", 3, True),
]
RELATIVE = {q[0]: q[4] for q in QUANTITIES}
NEAR_DEG = 0.25  # the share of angles within this is shown


def table(head, rows):
    widths = [max(len(str(cell)) for cell in column) for column in zip(head, *rows)]
    line = lambda cells: "| " + " | ".join(str(c).ljust(w) for c, w in zip(cells, widths)) + " |"
    return "\n".join([line(head), "|" + "|".join("-" * (w + 2) for w in widths) + "|"] + [line(r) for r in rows])


def summary(entries, relative):
    """entries: dicts with truth and, if measured, value, u, lo, hi. Errors in the quantity's unit or in per cent."""
    got = [e for e in entries if e.get("value") is not None]
    out = {"n": len(got), "missing": len(entries) - len(got)}
    if not got:
        return out
    scale = np.array([100.0 / e["truth"] if relative else 1.0 for e in got])
    error = np.array([e["value"] - e["truth"] for e in got]) * scale
    out.update(bias=float(np.mean(error)), rmse=float(np.sqrt(np.mean(error**2))),
               bias_u=float(np.std(error, ddof=1) / math.sqrt(len(got))) if len(got) > 1 else None,
               median=float(np.median(np.abs(error))), p95=float(np.percentile(np.abs(error), 95)),
               worst=float(np.max(np.abs(error))))
    if not relative:
        out["near"] = float(np.mean(np.abs(error) <= NEAR_DEG))
    stated = [(e, s) for e, s in zip(got, scale) if chance.covers(e) is not None]
    if stated:
        u = np.array([e["u"] * s for e, s in stated])
        rmse = math.sqrt(float(np.mean([((e["value"] - e["truth"]) * s) ** 2 for e, s in stated])))
        out.update(coverage=100.0 * float(np.mean([chance.covers(e) for e, _ in stated])),
                   u=float(np.median(u)), width=float(np.median([(e["hi"] - e["lo"]) * s for e, s in stated])),
                   u_ratio=math.sqrt(float(np.mean(u**2))) / rmse if rmse > 0.0 else None)
    return out


def against_oracle(points, key):
    """RMSE of program and oracle over the points that both have, and how many those are."""
    both = [(p["program"][key], p["oracle"][key]) for p in points
            if p["program"].get(key, {}).get("value") is not None and p["oracle"].get(key, {}).get("value") is not None]
    if not both:
        return None
    rms = lambda i: math.sqrt(math.fsum((e[i]["value"] - e[i]["truth"]) ** 2 for e in both) / len(both))
    return rms(0), rms(1), len(both)


def number(value, decimals, sign=False):
    if value is None:
        return ""
    return f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"


def percent(part, decimals=0):
    return "" if part is None else f"{100.0 * part:.{decimals}f} %"


STAT_HEAD = ["n", "bias", "RMSE", "median abs", "95th pct abs", "worst"]
U_HEAD = ["coverage of 95 %", "median u", "median width", "rms u / RMSE"]


def stat_cells(s, decimals):
    return [s["n"], number(s.get("bias"), decimals, True)] + [number(s.get(k), decimals)
                                                              for k in ("rmse", "median", "p95", "worst")]


def u_cells(s, decimals):
    coverage = s.get("coverage")
    return ["" if coverage is None else f"{coverage:.0f} %", number(s.get("u"), decimals),
            number(s.get("width"), decimals), number(s.get("u_ratio"), 2)]


def codes(entries):
    count = {}
    for e in entries:
        if e.get("value") is None:
            for code in e.get("missing") or ["no flag says why"]:
                count[code] = count.get(code, 0) + 1
    return ", ".join(f"{code} {n}" for code, n in sorted(count.items(), key=lambda item: (-item[1], item[0])))


def overview(points):
    """All points: each quantity by the program, the oracle and the plain script."""
    rows = []
    for key, title, unit, decimals, relative in QUANTITIES:
        for who in ("program", "oracle", "plain"):
            entries = [p[who][key] for p in points if key in p[who]]
            if not entries:
                continue
            s = summary(entries, relative)
            rows.append([title if who == "program" else "", unit if who == "program" else "",
                         {"plain": "plain script"}.get(who, who)] + stat_cells(s, decimals) + [s["missing"]]
                        + u_cells(s, decimals))
    return table(["quantity", "unit", "by"] + STAT_HEAD + ["missing"] + U_HEAD, rows)


def coverage_tests(points, groups, key):
    """Of each group: hits and n with one point a clip, the exact binomial p against 95 %, and Holm's over the groups."""
    counts = [chance.one_a_clip([p for p in points if chosen(p)], key) for _, chosen in groups]
    raw = [chance.binomial_test(k, n, 0.95) if n else None for k, n in counts]
    return [{"hits": k, "n": n, "p": p, "holm": h} for (k, n), p, h in zip(counts, raw, chance.holm(raw))]


def by_group(points, tested, shown, key):
    """Rows of the groups whose coverage is tested together, then of the others."""
    _, _, _, decimals, relative = next(q for q in QUANTITIES if q[0] == key)
    tests = coverage_tests(points, tested, key)
    has_oracle = any(key in p["oracle"] for p in points)
    rows = []
    for (name, chosen), test in list(zip(tested, tests)) + [(g, None) for g in shown]:
        some = [p for p in points if chosen(p)]
        entries = [p["program"][key] for p in some if key in p["program"]]
        if not entries:
            continue
        s = summary(entries, relative)
        both = against_oracle(some, key)
        row = [name, s["n"], number(s.get("bias"), decimals, True), number(s.get("rmse"), decimals)]
        if has_oracle:
            row += [number(both and both[1], decimals), number(both and both[1] > 0 and both[0] / both[1] or None, 2)]
        if not relative:
            row.append(percent(s.get("near"), 1))
        row += [number(s.get("worst"), decimals)] + u_cells(s, decimals)[:2] + [number(s.get("u_ratio"), 2)]
        if test and test["holm"] is not None:
            row += [f"{test['hits']}/{test['n']}", f"{test['holm']:.2g}", "fails" if test["holm"] < 0.01 else "holds"]
        else:
            row += ["", "", ""]
        row += [percent(s["missing"] / len(entries), 1), codes(entries)]
        rows.append(row)
    head = (["group", "n", "bias", "RMSE"] + (["oracle's RMSE", "ratio"] if has_oracle else [])
            + ([] if relative else [f"within {NEAR_DEG} deg"])
            + ["worst", "coverage of 95 %", "median u", "rms u / RMSE", "one a clip", "Holm's p", "95 %",
               "missing", "by flag codes"])
    return table(head, rows)
