"""What the project aims at, each line with what this run found. PASS and FAIL speak of this run's rendered sprays; a
line whose groups are too small to tell says so."""
import math

import chance
import forecast
import tables

LEAST_POINTS = 100  # a group with fewer points is not judged
INTERVALS = ["mean", "left", "right", "lean", "sheet", "cone", "breakup", "cd", "flow_area"]


def verdict(good, n):
    return "too few" if n < LEAST_POINTS else "PASS" if good else "FAIL"


def entries_of(points, key):
    return [p["program"][key] for p in points if key in p["program"]]


def sharp(p):
    """Stations far enough apart, and frames enough, that statistics are not what limits."""
    return p["span_px"] is not None and p["span_px"] >= 120.0 and p["frames"] >= 60


def fine(p):
    return p["px_per_mm"] >= 10.0


def judged(points, good, negatives, base):
    rows = []

    def line(what, where, some, key, aim, found_of, text_of, good_of):
        entries = entries_of(some, key)
        s = tables.summary(entries, tables.RELATIVE[key])
        found = found_of(s, some)
        if found is None:
            return
        rows.append([what, where, s["n"], aim, text_of(found), verdict(good_of(found), s["n"])])

    def limit(what, where, some, key, name, most, decimals, unit):
        both = tables.against_oracle(some, key) if name == "rmse" else None
        beside = f" (oracle {both[1]:.{decimals}f})" if both else ""
        line(what, where, some, key, f"{'|bias| ' if name == 'bias' else ''}<= {most} {unit}",
             lambda s, _: s.get(name),
             lambda x: f"{x:+.{decimals}f}" if name == "bias" else f"{x:.{decimals}f}{beside}",
             lambda x: abs(x) <= most)

    def ratio(s, some):
        both = tables.against_oracle(some, "mean")
        return both[0] / both[1] if both and both[1] > 0.0 else None

    groups = [(name, [p for p in points if chosen(p)]) for name, chosen in base]
    for name, some in groups:
        line("boundary: RMSE against the oracle's", name, some, "mean", "<= 1.3", ratio, lambda x: f"{x:.2f}",
             lambda x: x <= 1.3)
    for name, most in (("clean", 0.07), ("phone", 0.10), ("highspeed", 0.10)):
        some = [p for p in points if p["set"] == name and sharp(p)]
        limit("boundary: RMSE, stations over 120 px, 60 frames", f"set {name}", some, "mean", "rmse", most, 3, "deg")
        limit("the same in the picture", f"set {name}", some, "apparent", "rmse", most, 3, "deg")
    limit("boundary: bias", "all", points, "mean", "bias", 0.03, 3, "deg")
    near = lambda s, _: s.get("near")
    line("boundary: within 0.25 deg", "all", points, "mean", ">= 95 %", near, lambda x: f"{100 * x:.1f} %",
         lambda x: x >= 0.95)
    line("the same in the picture", "all", points, "apparent", ">= 95 %", near, lambda x: f"{100 * x:.1f} %",
         lambda x: x >= 0.95)
    limit("lean: RMSE", "all", points, "lean", "rmse", 0.10, 3, "deg")
    limit("the same in the picture", "all", points, "lean_shown", "rmse", 0.10, 3, "deg")
    big = [p for p in points if fine(p)]
    limit("mean sheet: bias", "10 px/mm and more", big, "sheet", "bias", 0.06, 3, "deg")
    limit("mean sheet: RMSE", "10 px/mm and more", big, "sheet", "rmse", 0.13, 3, "deg")
    limit("the same in the picture", "10 px/mm and more", big, "sheet_shown", "rmse", 0.13, 3, "deg")
    limit("cone asymptote: RMSE", "all", points, "cone", "rmse", 0.3, 3, "deg")
    limit("breakup: bias", "all", points, "breakup", "bias", 1.5, 2, "%")
    limit("breakup: RMSE", "all", points, "breakup", "rmse", 3.0, 2, "%")
    for name, some in groups:
        limit("breakup: RMSE", name, some, "breakup", "rmse", 6.0, 2, "%")
    for key in INTERVALS:
        title = next(q[1] for q in tables.QUANTITIES if q[0] == key)
        line(f"95 % interval: {title}", "all", points, key, "93 to 97 %", lambda s, _: s.get("coverage"),
             lambda x: f"{x:.1f} %", lambda x: 93.0 <= x <= 97.0)
        tests = tables.coverage_tests(points, base, key)
        held = [t for t in tests if t["holm"] is not None]
        failed = [name for (name, _), t in zip(base, tests) if t["holm"] is not None and t["holm"] < 0.01]
        if held:
            rows.append([f"95 % interval: {title}", "each group", min(t["n"] for t in held), "Holm's p >= 0.01",
                         "fails: " + ", ".join(failed) if failed else f"least {min(t['holm'] for t in held):.2g}",
                         "FAIL" if failed else verdict(True, min(t["n"] for t in held))])
        line(f"rms u / RMSE: {title}", "all", points, key, "0.8 to 1.5", lambda s, _: s.get("u_ratio"),
             lambda x: f"{x:.2f}", lambda x: 0.8 <= x <= 1.5)
    for key in INTERVALS:
        title = next(q[1] for q in tables.QUANTITIES if q[0] == key)
        entries = entries_of(points, key)
        if not entries:
            continue
        gone = [e for e in entries if e["value"] is None]
        mute = sum(not e.get("missing") for e in gone)
        share = len(gone) / len(entries)
        rows.append([f"missing: {title}", "all", len(entries), "<= 5 %, each with its flag",
                     f"{100 * share:.1f} %, {mute} without", verdict(share <= 0.05 and mute == 0, len(entries))])
    planned = forecast.aim(good)
    if planned:
        rows.append(planned)
    clean = [r for r in good if r["set"] == "clean" and "verdict" in r]
    warned = sum(any(f["severity"] != "info" for f in r["flags"]) for r in clean)
    if clean:
        rows.append(["clean clips with a warning", "set clean", len(clean), "0", warned, verdict(warned == 0, len(clean))])
    seen = [r for r in good if "verdict" in r]
    refused = sum(r["verdict"] == "rejected" for r in seen)
    if seen:
        rows.append(["good clips refused", "all", len(seen), "< 1 %", f"{100 * refused / len(seen):.1f} %",
                     verdict(refused < 0.01 * len(seen), len(seen))])
    firm = [r for r in negatives if r.get("misses_truth") is not None or r.get("outcome") in ("refused", "flagged")]
    if firm:
        wrong = sum(bool(r.get("misses_truth")) for r in firm)
        rows.append(["negatives measured unflagged, and wrong", "no cone in them", len(firm), "0", wrong,
                     verdict(wrong == 0, len(firm))])
    for key in ("mean", "sheet", "cone", "breakup"):
        hits = [chance.covers(p["program"][key]) for r in negatives if r.get("outcome") == "unnoticed"
                for p in r.get("points", []) if key in p["program"]]
        hits = [h for h in hits if h is not None]
        if hits:
            p = chance.binomial_test(sum(hits), len(hits), 0.95)
            good_enough = sum(hits) >= 0.95 * len(hits) or p >= 0.01
            rows.append([f"marginal clips measured unflagged: {key} in its interval", "marginal", len(hits),
                         "95 % (exact test, 1 %)", f"{100 * sum(hits) / len(hits):.1f} %, p {p:.2g}",
                         verdict(good_enough, len(hits))])
    for key in ("mean", "sheet", "cone", "breakup"):
        halves = [r["halves"][key] for r in good if r.get("halves") and r["halves"].get(key)]
        if halves:
            share = sum(abs(h["difference"]) <= h["allowed"] for h in halves) / len(halves)
            p = chance.binomial_test(round(share * len(halves)), len(halves), 0.95)
            rows.append([f"halves of a steady clip: {key}", "all", len(halves), "95 % (exact test, 1 %)",
                         f"{100 * share:.1f} %, p {p:.2g}", verdict(share >= 0.95 or p >= 0.01, len(halves))])
    return rows


def rms(values):
    return math.sqrt(math.fsum(v * v for v in values) / len(values)) if values else None
