"""The study's report in Markdown."""
import shlex
import sys

import bars
import forecast
import tables

# What the clips are ranked by: deg, %, %.
AIMS = {"mean": 0.3, "breakup": 10.0, "cd": 1.0}
SETS = ["clean", "phone", "highspeed"]
FILMS = ["grey", "clear"]


def base_groups(used):
    """The groups whose intervals are tested together."""
    out = [(f"{name}, {film}", lambda p, want=(name, film): want == (p["set"], p["group"]["film"]))
           for name in used for film in FILMS]
    out.append(("10 px/mm and more", bars.fine))
    out.append(("below 10 px/mm", lambda p: not bars.fine(p)))
    return out


def more_groups(used):
    out = [("all", lambda p: True)]
    for name in used:
        out.append((f"{name}: stations over 120 px, 60 frames",
                    lambda p, name=name: p["set"] == name and bars.sharp(p)))
    for camera in ("phone", "highspeed"):
        for light in ("backlit", "frontlit"):
            for film in FILMS:
                out.append((f"camera {camera}, {light}, {film}", lambda p, want=(camera, light, film): want == tuple(
                    p["group"][k] for k in ("camera", "light", "film"))))
    out.append(("tilt stated", lambda p: p["tilt_stated"]))
    out.append(("tilt not stated", lambda p: not p["tilt_stated"]))
    out.append(("clean frames before the spray", lambda p: p["group"]["prespray"]))
    out.append(("spray from the first frame", lambda p: not p["group"]["prespray"]))
    for what in VARIANTS:
        out.append((f"with {what}", lambda p, what=what: what in p["variants"]))
    return out


VARIANTS = ("rolling shutter", "valve closing", "8-bit frames")


def errors_of(record):
    """Largest errors of a clip in units of the aims, and in units of u: (score, what)."""
    worst, z_worst = (0.0, ""), (0.0, "")
    for point in record.get("points", []):
        for key, said in point["program"].items():
            if said["value"] is None:
                continue
            error = said["value"] - said["truth"]
            if key in AIMS:
                shown = 100.0 * error / said["truth"] if key != "mean" else error
                unit = "deg" if key == "mean" else "%"
                score = abs(shown) / AIMS[key]
                if score > worst[0]:
                    worst = (score, f"{key} {shown:+.2f} {unit} at point {point['true_point'] + 1}"
                                    f" (u {said['u'] * (100.0 / said['truth'] if key != 'mean' else 1.0):.2f})")
            if said.get("u"):
                z = abs(error) / said["u"]
                if z > z_worst[0]:
                    z_worst = (z, f"{key} off by {z:.1f} u at point {point['true_point'] + 1}")
    return worst, z_worst


def points_of(records):
    out = []
    for r in records:
        for p in r.get("points", []):
            stations = r.get("stations_mm")
            scale = r["true"]["px_per_mm"]
            out.append(dict(p, set=r["set"], group=r["group"], tilt_stated=r["tilt_stated"], clip=r["name"],
                            seed=r["seed"], variants=r["variants"], px_per_mm=scale,
                            span_px=(stations[1] - stations[0]) * scale if stations else None))
    return out


def rows_only(records, out):
    """One line a point and quantity, to compare builds with."""
    print("clip", "set", "film", "light", "point", "quantity", "truth", "value", "u", "error", "error_in_u", "missing",
          sep="\t", file=out)
    for r in records:
        for p in r.get("points", []):
            for key, said in p["program"].items():
                error = None if said["value"] is None else said["value"] - said["truth"]
                number = lambda v: "" if v is None else f"{v:.6g}"
                print(r["name"], r["set"], r["group"]["film"], r["group"]["light"], p["true_point"], key,
                      number(said["truth"]), number(said["value"]), number(said.get("u")), number(error),
                      number(error / said["u"] if error is not None and said.get("u") else None),
                      ",".join(said.get("missing", [])), sep="\t", file=out)


def section(say, title):
    say()
    say(f"### {title}: rendered sprays")
    say()


def report(records, seconds, options, reproduce, kinds, out):
    good = [r for r in records if not r["negative"]]
    negatives = [r for r in records if r["negative"]]
    failures = [r for r in records if r["failure"]]
    points = points_of(good)
    used = [name for name in SETS + ["any"] if any(r["set"] == name for r in good)]
    base, more = base_groups(used), more_groups(used)
    clip_groups = [(n, c) for n, c in base + more if "px" not in n]
    say = lambda text="": print(text, file=out)
    say("## Rendered sprays")
    say()
    say(f"    {shlex.join(['tools/study', *sys.argv[1:]])}")
    say()
    if options.commit:
        say(f"Seed {options.seed}, derived from commit {options.commit}"
            + (", with changes on top of it that are not committed." if options.changed else "."))
        say()
    say(f"{len(good)} good clips with {len(points)} pressure points, {len(negatives)} negatives. Rendered, not filmed:"
        " what holds here may not hold on a stand. n counts pressure points; points of one clip share its errors, so"
        " the tests of the 95 % intervals take one point a clip. \"fails\": an exact binomial test against 95 % rejects"
        " at 1 % after Holm's correction over the groups of the table's first part.")
    if failures:
        say()
        say(f"**{len(failures)} CLIPS FAILED: a crash, or a good clip taken for bad input**")
        say()
        for r in failures:
            say(f"- {r['name']}, set {r['set']}, {r['negative'] or 'good'}, seed {r['seed']}: "
                + " ".join(r["failure"].split()))
            say(f"  `{reproduce(r)}`")
    rows = bars.judged(points, good, negatives, base)
    if rows:
        section(say, "Aims")
        say(tables.table(["aim", "where", "n", "asked", "found", "verdict"], rows))
    if points:
        section(say, "Program, oracle, plain script")
        say(tables.overview(points))
        known = [p["truth_u_deg"] for p in points if p["truth_u_deg"] is not None]
        pictures = sorted(p["truth_pictures"] for p in points if p["truth_pictures"])
        say()
        say("Truth of the boundary: the long-time median"
            + (f" from {pictures[len(pictures) // 2]} independent pictures a point (at most {pictures[-1]}) and the "
               f"geometry of some thousand instants; its own standard error, {bars.rms(known):.3f} deg in the quadratic "
               "mean, is in the figures above. " if known and pictures else ". ")
            + f"Stations reached past its rows at {sum(p['truth_extended'] for p in points)} points, which were "
            "continued with the clip's own frames under perfect masks.")
        for key, title, unit, _, relative in tables.QUANTITIES:
            section(say, f"{title}, {unit + ' of the truth' if relative else unit}, program")
            say(tables.by_group(points, base, more, key))
        bounds = [(p["program"].get("breakup") or p["breakup_out_of_view"]) for p in points]
        bounds = [b for b in bounds if b and b.get("lower_bound") is not None]
        beyond = [p["breakup_out_of_view"] for p in points if p["breakup_out_of_view"]]
        claimed = [b for b in beyond if b["value"] is not None]
        section(say, "Breakup at the edge of the picture")
        say(tables.table(["what", "points"], [
            ["lower bounds given", len(bounds)],
            ["of these above the truth (wrong)", sum(b["lower_bound"] > b["truth"] for b in bounds)],
            ["breakup not in view (to 1.3 lengths)", len(beyond)],
            ["of these given as a length all the same", len(claimed)],
            ["of these with an interval that misses the truth",
             sum(not b["lo"] <= b["truth"] <= b["hi"] for b in claimed)]]))
        halves_table(say, good)
        if any(r.get("plan") for r in good):
            section(say, "What plan expected, and the error made")
            forecast.say_table(say, good, used)
        section(say, "Pressure points")
        rows = []
        for name, chosen in clip_groups:
            some = [r for r in good if "found" in r and r.get("verdict") != "rejected" and chosen(r)]
            if some:
                rows.append([name, len(some), sum(r["true_points"] for r in some)]
                            + [sum(r[k] for r in some) for k in ("found", "missed", "invented", "astray")])
        say("Clips that were not refused.")
        say()
        say(tables.table(["group", "clips", "points", "found", "missed", "invented", "frames from another stretch"],
                         rows))
        section(say, "Good clips refused")
        rows = []
        for name, chosen in clip_groups:
            some = [r for r in good if "group" in r and chosen(r)]
            refused = [r for r in some if r.get("verdict") == "rejected"]
            if some:
                rows.append([name, len(some), len(refused), f"{100.0 * len(refused) / len(some):.1f} %",
                             sum(r.get("verdict") == "flagged" for r in some), codes_of(refused, "reject")])
        say(tables.table(["group", "clips", "refused", "share", "flagged", "codes of the refusals"], rows))
        warned = {}
        for r in good:
            for code in sorted({f["code"] for f in r.get("flags", []) if f["severity"] == "warn"}):
                warned.setdefault(code, []).append(r["set"])
        if warned:
            say()
            say(tables.table(["warning on good clips", "clips", "of them set clean"],
                             [[code, len(v), v.count("clean")] for code, v in sorted(warned.items())]))
    if negatives:
        negatives_table(say, negatives, options, kinds)
    worst_clips(say, good, reproduce)
    section(say, "Run time (differs from run to run)")
    rows = []
    for step in ("render", "measure", "halves", "plain"):
        took = sorted(s[step] for s in seconds if step in s)
        if took:
            rows.append([{"plain": "plain script"}.get(step, step), len(took), f"{took[len(took) // 2]:.2f}",
                         f"{took[-1]:.2f}", f"{sum(took):.0f}"])
    say(tables.table(["step", "clips", "median s", "longest s", "sum s"], rows))


def codes_of(records, severity):
    why = {}
    for r in records:
        for code in sorted({f["code"] for f in r["flags"] if f["severity"] == severity}):
            why[code] = why.get(code, 0) + 1
    return ", ".join(f"{k} {v}" for k, v in sorted(why.items()))


def halves_table(say, good):
    with_halves = [r for r in good if r.get("halves")]
    if not with_halves:
        return
    section(say, "Halves of a steady stretch")
    rows = []
    for key, title, unit, decimals, _ in tables.QUANTITIES:
        both = [r["halves"][key] for r in with_halves if r["halves"].get(key)]
        if not both:
            continue
        z = [h["difference"] / h["allowed"] * 2.0 for h in both if h["allowed"] > 0.0]
        rows.append([title.replace(", in view", ""), len(both), len(with_halves) - len(both),
                     f"{100.0 * sum(abs(h['difference']) <= h['allowed'] for h in both) / len(both):.1f} %",
                     tables.number(bars.rms(z), 2)])
    say("First against second half of a point's frames, measured in one run. Allowed: twice the root of the sum of the "
        "squares of both statistical parts (budget entries shared \"frames\"); a right statistical part gives 95 % "
        "within and 1.0 in the last column.")
    say()
    say(tables.table(["quantity", "clips", "a half without value", "within", "rms difference in u"], rows))


def negatives_table(say, negatives, options, kinds):
    section(say, "Negatives")
    rows = []
    for kind in kinds + ["all"]:
        some = [r for r in negatives if kind in (r["negative"], "all")]
        if not some:
            continue
        count = lambda what: sum(r.get("outcome") == what for r in some)
        unnoticed = [r for r in some if r.get("outcome") == "unnoticed"]
        refused, flagged = ([r for r in some if r.get("outcome") == what] for what in ("refused", "flagged"))
        firm = [r for r in unnoticed if r["misses_truth"] is not None]
        hits = [bars.chance.covers(p["program"]["mean"]) for r in unnoticed for p in r.get("points", [])
                if "mean" in p["program"]]
        hits = [h for h in hits if h is not None]
        rows.append([kind, len(some), count("refused"), count("flagged"), len(unnoticed),
                     sum(bool(r["misses_truth"]) for r in firm) if firm else "",
                     f"{len(hits) - sum(hits)} of {len(hits)}" if hits else "",
                     sum(r["failure"] is not None for r in some),
                     sum(bool(r.get("plain_refuses")) for r in some) if options.plain else "",
                     "" if kind == "all" else ", ".join(filter(None, (codes_of(refused, "reject"),
                                                                     codes_of(flagged, "warn"))))])
    say("The kinds that are spoilt by degrees, from hardly to badly, have a true angle: measured without a word is right "
        "as long as the interval holds it.")
    say()
    say(tables.table(["kind", "clips", "refused", "flagged", "measured unflagged", "and wrong",
                      "points whose interval misses", "failed", "plain script refuses", "codes"], rows))


def worst_clips(say, good, reproduce):
    score = lambda r: (-(1e6 if r["failure"] else 1e3 if r.get("verdict") == "rejected" else
                         errors_of(r)[0][0] + 3.0 * (r["missed"] + r["invented"] + r["astray"])), r["name"])
    ranked = sorted((r for r in good if "points" in r), key=score)
    if not ranked:
        return
    section(say, "Ten worst clips")
    say("By the largest error in units of 0.3 deg, 10 %, 1 %; refused clips first.")
    say()
    for r in ranked[:10]:
        (_, what), (_, z) = errors_of(r)
        if r.get("verdict") == "rejected":
            what = "refused: " + "; ".join(f"{f['code']} ({f['message']})" for f in r["flags"]
                                           if f["severity"] == "reject")
        elif r["failure"]:
            what = "failed"
        g = r["group"]
        say(f"- {r['name']}, set {r['set']}, {g['camera']}, {g['light']}, {g['film']}, seed {r['seed']}: {what}; {z}"
            + (f"; points missed {r['missed']}, invented {r['invented']}, astray {r['astray']}"
               if r["missed"] + r["invented"] + r["astray"] and r.get("verdict") != "rejected" else ""))
        say(f"  `{reproduce(r)}`")
    section(say, "Five most overconfident clips")
    for r in sorted((r for r in ranked if errors_of(r)[1][0] > 0.0), key=lambda r: -errors_of(r)[1][0])[:5]:
        say(f"- {r['name']}, set {r['set']}, seed {r['seed']}: {errors_of(r)[1][1]}")
