"""Simulated test days through `conebook calibrate` and `conebook measure`, beside their truth (stand_day.py)."""
import concurrent.futures
import json
import math
import pathlib
import random
import statistics
import subprocess
import sys

import chance
import stand_day
import tables

QUANTITIES = ("pressure_bar", "flow_kg_s", "flow_area_mm2", "cd")
KINDS = stand_day.KINDS
WITHIN = (0.93, 0.97)   # coverage of the 95 % intervals, pooled
MOST_CD_RMSE = 0.005    # with everything stated
ASTRAY_SHARE = 0.05     # of a found stretch that may lie outside the true one: rows where the level is reached


def words_of(settings):
    return "".join(f"{key} = {json.dumps(value)}\n" for key, value in settings.items())


def rig_text(day, r, line, exit_mm, u_exit_mm):
    """What the engineer states, in error by draws from what is stated as u."""
    stated = day["kind"] == "stated"
    stand = {"liquid": "water", "rated_bar": 40.0, "pressure_tap": day["tap"], "area_kind": "exit",
             "tap_above_exit_mm": round(day["head_mm"] + day["head_error_mm"], 1), "u_tap_above_exit_mm": 5.0}
    if not day["temperature_logged"]:
        u = math.hypot(0.5, abs(day["t_drift_c"]) / math.sqrt(12.0))
        stand.update(temperature_c=round(day["t0_c"] + day["t_drift_c"] / 2 + r.gauss(0.0, 0.5), 2), u_temperature_c=round(u, 3))
    if line:
        stand["line_loss"] = "line.toml"
    if stated:
        meter, pressure = {"calibration": "meter.toml"}, {"calibration": "pressure.toml"}
    else:
        meter = {"u_percent": 0.55}
        if day["flow_column"] == "pulse_hz":
            meter = {"k_factor_per_l": 20000.0, "u_k_factor_per_l": 110.0}
        pressure = {"u_percent": 0.2}
        # Where the log at rest cannot tell the sensor's zero, the data sheet does.
        if day["tap"] != stand_day.LOSSLESS:
            pressure.update(zero_bar=0.0, u_zero_bar=0.02)
    return (f'[element]\nid = "D"\n[nozzle]\nexit_diameter_mm = {exit_mm!r}\nu_exit_diameter_mm = {u_exit_mm!r}\n[stand]\n'
            + words_of(stand) + "[meter]\n" + words_of(meter) + "[pressure]\n" + words_of(pressure))


def call(program, words, folder):
    done = subprocess.run([program, "--threads", "1", "--quiet", *words], cwd=folder, capture_output=True, text=True,
                          errors="replace", timeout=300, start_new_session=True)
    if done.returncode not in (0, 3):
        raise RuntimeError(f"{' '.join(words[:2])} ended with {done.returncode}: {done.stderr.strip()[-400:]}")
    return done


def prepare(day, program, folder):
    """Calibrations, rig and log of the day in the folder; the day's truth."""
    r = random.Random(f"{day['seed']}:stated")
    day["head_error_mm"] = r.gauss(0.0, 5.0)
    share = 0.001 if day["kind"] == "stated" else r.uniform(0.002, 0.02)
    u_exit_mm = round(share * day["exit_mm"], 5)
    exit_mm = round(day["exit_mm"] + r.gauss(0.0, u_exit_mm), 4)
    has_line = day["tap"] != stand_day.LOSSLESS and day["kind"] != "unknown"
    if day["kind"] == "stated":
        low = 0.8 * stand_day.litres_s_at(day, min(day["levels_bar"]))
        high = 1.2 * stand_day.litres_s_at(day, max(day["levels_bar"]))
        if has_line:
            open_line = math.sqrt((1.0 - day["loss_share"]) / day["loss_share"])
            ends = [open_line * stand_day.litres_s_at(day, bar) / math.sqrt(1.0 - day["loss_share"])
                    for bar in stand_day.blank_levels(day)]
            low, high = min(low, 0.9 * min(ends)), max(high, 1.1 * max(ends))
        (folder / "bucket.csv").write_text(stand_day.bucket_test(day, r, low, high))
        call(program, ["calibrate", "meter", "bucket.csv", "--temperature-c", "20", "--u-scale-percent", "0.05",
                       "--u-mass-kg", "0.0005", "--u-time-s", "0.1", "--curve", "curve", "--out", "meter.toml"], folder)
        (folder / "readings.csv").write_text(stand_day.sensor_test(day, r, 1.3 * max(day["levels_bar"])))
        call(program, ["calibrate", "pressure", "readings.csv", "--u-reference-percent", "0.05", "--out", "pressure.toml"],
             folder)
    if has_line:
        state = r.getstate()
        (folder / "blank_rig.toml").write_text(rig_text(day, r, False, exit_mm, u_exit_mm))
        r.setstate(state)
        (folder / "blank.csv").write_text(stand_day.blank_run(day, day["kind"] != "stated", f"{day['seed']}:blank").log_text())
        call(program, ["calibrate", "line", "blank.csv", "--rig", "blank_rig.toml", "--out", "line.toml"], folder)
    (folder / "rig.toml").write_text(rig_text(day, r, has_line, exit_mm, u_exit_mm))
    flowing = stand_day.Flowing(day, f"{day['seed']}:flow").flow()
    (folder / "log.csv").write_text(flowing.log_text())
    return flowing


def match(flowing, found):
    """Pairs (true point, found one), true ones that are missed, found ones that lie in no single true one."""
    pairs, astray, taken = [], [], set()
    interval = 1.0 / flowing.day["rate_hz"]
    for k, point in enumerate(found):
        t0, t1 = point.get("flow_t0_s", point["log_t0_s"]), point["log_t1_s"]
        inside = [(min(t1, e) - max(t0, b), i) for i, (b, e, _) in enumerate(flowing.points)]
        overlap, i = max(inside)
        outside = (t1 - t0) - overlap
        if outside > max(ASTRAY_SHARE * (t1 - t0), 2.0 * interval) or i in taken:
            astray.append(k)
            continue
        taken.add(i)
        pairs.append((i, k))
    return pairs, [i for i in range(len(flowing.points)) if i not in taken], astray


def judge(day, flowing, result):
    found = result["points"]
    pairs, missed, astray = match(flowing, found)
    record = {"seed": day["seed"], "kind": day["kind"], "tap": day["tap"], "levels": len(flowing.points), "found": len(pairs),
              "missed": missed, "astray": astray, "points": [],
              "flags": sorted({f["code"] for f in result["flags"] if f["severity"] != "info"})}
    for i, k in pairs:
        point, truth = found[k], flowing.truth(found[k].get("flow_t0_s", found[k]["log_t0_s"]), found[k]["log_t1_s"])
        entry = {"level_bar": flowing.points[i][2]}
        for name in QUANTITIES:
            q = point.get(name)
            if q is not None:
                entry[name] = {"truth": truth[name], "value": q["value"], "u": q["u"], "lo": q["lo95"], "hi": q["hi95"]}
        record["points"].append(entry)
    law = (result.get("flow_law") or {}).get("cd")
    if law:
        record["law_cd"] = {"truth": day["cd"], "value": law["value"], "u": law["u"], "lo": law["lo95"], "hi": law["hi95"]}
    return record


def run_day(number, seed, program, folder):
    kind = stand_day.KINDS[number % len(stand_day.KINDS)]
    day = stand_day.draw(seed, kind)
    folder.mkdir(parents=True, exist_ok=True)
    try:
        flowing = prepare(day, program, folder)
        call(program, ["measure", "--log", "log.csv", "--rig", "rig.toml", "--json", "result.json"], folder)
        return judge(day, flowing, json.loads((folder / "result.json").read_text()))
    except (RuntimeError, subprocess.TimeoutExpired) as error:
        return {"seed": seed, "kind": kind, "tap": day["tap"], "failure": str(error)}


def coverage(records, name):
    """Share of points whose interval holds the truth, and its standard error from day to day: points of a day share
    sensor, meter and bore, so that they do not count as so many draws."""
    days = [[chance.covers(p[name]) for p in r["points"] if name in p] for r in records]
    days = [d for d in days if d]
    if not days:
        return None
    hits, n = sum(map(sum, days)), sum(map(len, days))
    share = hits / n
    # Ratio of sums over clusters (W. G. Cochran, Sampling Techniques, 3rd ed., 6.4 and 9; from memory).
    spread = math.fsum((sum(d) - share * len(d)) ** 2 for d in days)
    return share, math.sqrt(spread * len(days) / max(1, len(days) - 1)) / n, n


def rmse_and_u(records, name):
    errors = [p[name]["value"] / p[name]["truth"] - 1.0 for r in records for p in r["points"] if name in p]
    us = [p[name]["u"] / p[name]["truth"] for r in records for p in r["points"] if name in p]
    root = lambda v: math.sqrt(math.fsum(x * x for x in v) / len(v)) if v else float("nan")
    return statistics.fmean(errors) if errors else float("nan"), root(errors), root(us)


def verdicts(records):
    """(what, figure, holds) of every bar."""
    whole = [r for r in records if "failure" not in r]
    out = [("days that ended in failure", f"{len(records) - len(whole)}", len(whole) == len(records))]
    missed, astray = sum(len(r["missed"]) for r in whole), sum(len(r["astray"]) for r in whole)
    out.append(("true points missed", f"{missed} of {sum(r['levels'] for r in whole)}", missed == 0))
    out.append(("points tied to a wrong stretch", f"{astray}", astray == 0))
    known = [r for r in whole if r["kind"] != "unknown"]
    pooled = []
    for name in QUANTITIES:
        got = coverage(known, name)
        if got is None:
            out.append((f"coverage of {name}", "no points", False))
            continue
        share, u, n = got
        pooled.append((share, u))
        # Off the bar only by more than the draw of the days explains.
        holds = share + 2.0 * u >= WITHIN[0] and share - 2.0 * u <= WITHIN[1]
        out.append((f"95 % interval of {name} holds the truth, line known", f"{100 * share:.1f} % of {n} (u {100 * u:.1f} %)",
                    holds))
    unknown = [r for r in whole if r["kind"] == "unknown"]
    flagged = sum("line_loss_unknown" in r["flags"] for r in unknown)
    out.append(("unknown line losses flagged", f"{flagged} of {len(unknown)}", flagged == len(unknown)))
    wrongly = sum("line_loss_unknown" in r["flags"] for r in known)
    out.append(("known lines flagged as unknown", f"{wrongly} of {len(known)}", wrongly == 0))
    if unknown:
        share, u, n = coverage(unknown, "cd") or (0.0, 0.0, 0)
        out.append(("95 % interval of cd holds the truth, line unknown", f"{100 * share:.1f} % of {n}",
                    n > 0 and share + 2.0 * u >= WITHIN[0]))
    stated = [r for r in whole if r["kind"] == "stated"]
    _, rmse, _ = rmse_and_u(stated, "cd")
    out.append(("RMSE of cd, everything stated", f"{100 * rmse:.2f} %", rmse < MOST_CD_RMSE))
    return out


def report(records, seed, out):
    whole = [r for r in records if "failure" not in r]
    out.write(f"# Simulated test days\n\n{len(records)} days, seed {seed}. Simulated, not measured: stand_day.py's own stand.\n\n")
    checks = verdicts(records)
    out.write(tables.table(["bar", "found", "holds"], [[w, f, "yes" if h else "**no**"] for w, f, h in checks]) + "\n")
    rows = []
    for kind in stand_day.KINDS:
        of = [r for r in whole if r["kind"] == kind]
        for name in QUANTITIES:
            got = coverage(of, name)
            if got is None:
                continue
            bias, rmse, u = rmse_and_u(of, name)
            rows.append([kind, name, str(got[2]), f"{100 * bias:+.2f}", f"{100 * rmse:.2f}", f"{100 * u:.2f}", f"{100 * got[0]:.1f}"])
    out.write("\n" + tables.table(["day", "quantity", "points", "bias %", "RMSE %", "rms u %", "coverage %"], rows) + "\n")
    bad = [r for r in records if r.get("failure") or r.get("missed") or r.get("astray")]
    if bad:
        out.write("\n## Days that went wrong\n\n")
    for r in bad[:40]:
        words = r.get("failure") or f"missed {r['missed']}, astray {r['astray']}"
        out.write(f"- {r['kind']}, tap {r['tap']}, seed {r['seed']}: {words}\n")
    off = sorted(((abs(p["cd"]["value"] - p["cd"]["truth"]) / p["cd"]["u"], r, p) for r in whole for p in r["points"]
                  if "cd" in p), key=lambda x: -x[0])[:8]
    out.write("\n## Farthest from the truth, in u\n\n")
    for ratio, r, p in off:
        out.write(f"- {ratio:.1f}: cd {p['cd']['value']:.4f} for {p['cd']['truth']:.4f} at {p['level_bar']:.2f} bar, {r['kind']}, "
                  f"tap {r['tap']}, seed {r['seed']}\n")
    return all(h for _, _, h in checks)


def run(build, folder, days, seed, jobs, out):
    """Whether every bar holds; records."""
    folder = pathlib.Path(folder)
    program = pathlib.Path(build).resolve() / "conebook"
    names = [(i, chance.seed_of(seed, f"days:{i}")) for i in range(days)]
    with concurrent.futures.ProcessPoolExecutor(jobs) as pool:
        waiting = [pool.submit(run_day, i, s, program, folder / f"day{i:04d}") for i, s in names]
        records = []
        for i, future in enumerate(waiting):
            records.append(future.result())
            if sys.stderr.isatty():
                print(f"\r{i + 1}/{days}", end="", file=sys.stderr, flush=True)
    return report(records, seed, out), records
