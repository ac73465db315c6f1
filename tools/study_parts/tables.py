"""Errors of many points into Markdown tables."""
import math

import numpy as np

# key, title, unit, decimals, whether errors are in per cent of the truth
QUANTITIES = [
    ("mean", "half angle, mean", "deg", 3, False),
    ("left", "half angle, left", "deg", 3, False),
    ("right", "half angle, right", "deg", 3, False),
    ("lean", "lean", "deg", 3, False),
    ("apparent", "apparent half angle", "deg", 3, False),
    ("sheet", "sheet half angle", "deg", 3, False),
    ("cone", "cone half angle", "deg", 3, False),
    ("breakup", "breakup length, in view", "%", 2, True),
    ("cd", "Cd", "%", 3, True),
    ("flow_area", "flow area", "%", 3, True),
    ("pressure", "pressure drop", "%", 3, True),
    ("flow", "flow", "%", 3, True),
]


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
               median=float(np.median(np.abs(error))), p95=float(np.percentile(np.abs(error), 95)),
               worst=float(np.max(np.abs(error))))
    stated = [(e, s) for e, s in zip(got, scale) if e.get("lo") is not None]
    if stated:
        u = np.array([e["u"] * s for e, s in stated])
        rmse = math.sqrt(float(np.mean([((e["value"] - e["truth"]) * s) ** 2 for e, s in stated])))
        out.update(coverage=100.0 * float(np.mean([e["lo"] <= e["truth"] <= e["hi"] for e, _ in stated])),
                   u=float(np.median(u)), width=float(np.median([(e["hi"] - e["lo"]) * s for e, s in stated])),
                   u_ratio=math.sqrt(float(np.mean(u**2))) / rmse if rmse > 0.0 else None)
    return out


def number(value, decimals, sign=False):
    if value is None:
        return ""
    return f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"


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


def by_group(points, groups, key):
    _, _, _, decimals, relative = next(q for q in QUANTITIES if q[0] == key)
    rows = []
    for name, chosen in groups:
        entries = [p["program"][key] for p in points if chosen(p) and key in p["program"]]
        if not entries:
            continue
        s = summary(entries, relative)
        rows.append([name] + stat_cells(s, decimals) + [f"{s['missing']} {'(' + codes(entries) + ')' if s['missing'] else ''}"]
                    + u_cells(s, decimals))
    return table(["group"] + STAT_HEAD + ["missing (flag codes)"] + U_HEAD, rows)
