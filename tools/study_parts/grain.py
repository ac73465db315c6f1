"""Pairs of elements filmed in back light as a phone films, their D32 apart by a known ratio: does the program's own
ranking put the coarser one first? The two share rig, liquid and exit diameter; breakup, waves, ligaments, scatter, number
and spread of the drops, haze, shake, exposure and length of the clip are drawn for each of them, whatever its drops."""
import concurrent.futures
import html
import json
import math
import pathlib
import random
import re
import subprocess
import tomllib

import chance
import tables
import views

RATIO = 1.3
LEAST_RIGHT, LEAST_RANKED = 0.95, 0.5  # of the pairs ranked; of all pairs
SIZES = [(640, 480), (800, 600), (720, 540), (640, 640)]


def draw(seed):
    """What the two of a pair share, and what each has for itself."""
    r = random.Random(f"grain:{seed}")
    width, height = r.choice(SIZES)
    scale = math.exp(r.uniform(math.log(6.0), math.log(14.0)))
    half_angle = r.uniform(24.0, 40.0)
    codec = r.choice(["h264", "h264", "hevc"])
    shared = {
        "clean": 0, "camera": "phone", "light": "backlit", "film": r.choice(["grey", "clear"]), "codec": codec,
        "container": r.choice(["mp4", "mov"]), "ten_bit": 0, "width": width, "height": height, "rotation": 0,
        "full_range": int(r.random() < 0.4), "quality": round(r.uniform(17.0, 25.0), 2),
        "bit_rate_mbit": round(r.uniform(3.0, 14.0), 2) if r.random() < 0.4 else 0, "fps": 30, "prespray": 1,
        "variable_rate": int(r.random() < 0.5), "px_per_mm": round(scale, 3),
        "exit_x_px": round(width * r.uniform(0.46, 0.54), 2), "exit_y_px": round(height * r.uniform(0.08, 0.13), 2),
        "exit_diameter_mm": round(math.exp(r.uniform(math.log(0.7), math.log(2.0))), 3), "axis_deg": 0.0,
        "axis_written": 1, "tilt_deg": round(r.gauss(0.0, 1.0), 2), "tilt_written": 1, "lens_file": 0,
        "distance_mm": round(r.uniform(200.0, 600.0), 1), "distance_written": 1, "exit_written": 1,
        "focal_written": 0, "stations_written": 0, "state_illumination": 1, "pressures_bar": round(r.uniform(3.0, 8.0), 2),
        "breakup_in_view": 1, "wall_depth": math.exp(r.uniform(math.log(0.2), math.log(0.8))),
        "limb_depth": math.exp(r.uniform(math.log(0.5), math.log(2.5))), "limb_softness": r.uniform(0.05, 0.6),
        "interior_depth": math.exp(r.uniform(math.log(0.004), math.log(0.03))), "streak": r.uniform(0.1, 0.6),
        "drop_depth": r.uniform(1.2, 2.5), "blur_px": r.uniform(0.55, 1.7), "field": r.uniform(0.5, 0.85),
        "field_slope": r.uniform(0.0, 0.25), "vignetting": r.uniform(0.0, 0.3), "structure": r.uniform(0.1, 1.0),
        "full_well": math.exp(r.uniform(math.log(2500.0), math.log(20000.0))),
        "read_noise": math.exp(r.uniform(math.log(0.0006), math.log(0.005))),
        "flicker": math.exp(r.uniform(math.log(0.003), math.log(0.04))) if r.random() < 0.6 else 0.0,
        "flicker_hz": r.choice([100.0, 120.0]), "line_time_us": r.uniform(5.0, 20.0) if r.random() < 0.3 else 0.0,
        "sharpen": r.uniform(0.1, 0.4) if r.random() < 0.3 else 0.0, "hold_1_s": 4.0, "closes": 0}
    shared = {k: round(v, 5) if isinstance(v, float) else v for k, v in shared.items()}
    d32_um = math.exp(r.uniform(math.log(110.0), math.log(310.0)))
    coarser = r.randrange(2)
    room_mm = min(0.85 * height, 0.44 * width / math.tan(math.radians(half_angle + 2.0))) / scale
    each = []
    for i in range(2):
        # All else comes from the renderer's own draw by this one's seed.
        each.append({"d32_um": round(d32_um * RATIO ** (0.5 if i == coarser else -0.5), 3),
                     "half_angle_deg": round(half_angle + r.uniform(-2.0, 2.0), 3),
                     "breakup_mm": round(room_mm * r.uniform(0.36, 0.56), 3),
                     "drops_per_mm": round(math.exp(r.uniform(math.log(50.0), math.log(200.0))), 2),
                     "frames": r.randint(45, 75), "element": f"G{i + 1}"})
    return {"seed": seed, "shared": shared, "each": each, "coarser": coarser}


def call(words):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True, errors="replace", timeout=900,
                          start_new_session=True)
    return done.returncode, done.stderr.strip()


def rank_on(page, name):
    """What the page's last column says of an element."""
    for row in re.findall(r"<tr>(.*?)</tr>", page, re.S):
        cells = [html.unescape(re.sub(r"<[^>]*>", " ", cell)).strip() for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.S)]
        if len(cells) >= 6 and cells[0].split()[:2] == ["Element", name]:
            return cells[-1]
    raise RuntimeError(f"the page has no row of element {name}")


def one(build, folder, pair):
    """Renders and measures both, and asks the program which is the coarser."""
    folder.mkdir(parents=True, exist_ok=True)
    book, stated, found = folder / "book.db", None, []
    for i, own in enumerate(pair["each"]):
        place = folder / f"clip{i}"
        settings = dict(pair["shared"], **own)
        status, errors = call([build / "tools" / "render" / "conebook_render", "--seed", chance.seed_of(pair["seed"], f"grain:{i}"),
                               "--group", "phone", "--fast", "--out", place, "--set",
                               *(f"{k}={v}" for k, v in settings.items())])
        if status != 0:
            raise RuntimeError(f"renderer ended with {status}: {errors}")
        truth = json.loads((place / "truth.json").read_text())
        rig = tomllib.loads((place / "rig.toml").read_text())
        # One rig, stated once.
        stated = stated or {k: rig[k] for k in ("camera", "scale", "nozzle", "spray") if k in rig}
        rig.update(stated)
        (place / "rig.toml").write_text("".join(f"{k} = {views.inline(v)}\n" for k, v in rig.items()))
        status, errors = call([build / "conebook", "--threads", "1", "--quiet", "measure", place / truth["clip"], "--rig",
                               place / "rig.toml", "--log", place / "log.csv", "--json", place / "result.json", "--archive", book])
        if status not in (0, 3):
            raise RuntimeError(f"measure ended with {status}: {errors}")
        result = json.loads((place / "result.json").read_text())
        point = result["points"][0] if result["points"] else {}
        found.append({"grain": point.get("grain"), "true": {k: own[k] for k in own} | {
            k: truth["true"].get(k) for k in ("exposure_s", "blur_px", "haze")},
            "why": "; ".join(f["message"] for f in result["flags"] if f["code"] == "grain_not_read" or f["severity"] == "reject")})
    record = {"seed": pair["seed"], "coarser": pair["coarser"], "each": found, "shared": pair["shared"]}
    missing = [f for f in found if not f["grain"]]
    if missing:
        return dict(record, outcome="cannot rank", words="no index: " + missing[0]["why"])
    page = folder / "page.html"
    status, errors = call([build / "conebook", "report", "--archive", book, "--side-by-side", "G1,G2", "--at-bar",
                           pair["shared"]["pressures_bar"], "--report", page])
    if status != 0:
        raise RuntimeError(f"report ended with {status}: {errors}")
    words = rank_on(page.read_text(), "G2")
    if words.startswith("cannot rank"):
        return dict(record, outcome="cannot rank", words=words)
    if not words.startswith(("coarser", "finer")):
        raise RuntimeError(f"the page ranks in unknown words: {words}")
    right = words.startswith("coarser") == (pair["coarser"] == 1)
    return dict(record, outcome="right" if right else "wrong", words=words)


def attempt(build, folder, pair):
    try:
        return one(build, folder, pair)
    except (RuntimeError, subprocess.TimeoutExpired) as error:
        return {"seed": pair["seed"], "coarser": pair["coarser"], "each": [], "shared": pair["shared"], "outcome": "failed",
                "words": str(error).replace(str(folder), "...")}


def verdicts(records):
    """(what, hits, of, least share, holds)."""
    ranked = [r for r in records if r["outcome"] in ("right", "wrong")]
    right = sum(r["outcome"] == "right" for r in ranked)
    return [("ranked, of all pairs", len(ranked), len(records), LEAST_RANKED, len(ranked) >= LEAST_RANKED * len(records)),
            ("right, of those ranked", right, len(ranked), LEAST_RIGHT, bool(ranked) and right >= LEAST_RIGHT * len(ranked))]


def show(record):
    index = lambda f: f"{f['grain']['index']:.3f} ± {f['grain']['u']:.3f}" if f["grain"] else "none"
    sizes = [f"{f['true']['d32_um']:.0f}" for f in record["each"]]
    return [record["seed"], record["shared"]["film"], " / ".join(sizes), " / ".join(map(index, record["each"])), record["outcome"],
            record["words"]]


def report(records, out):
    print(f"## Grain index: rendered sprays\n\n{len(records)} pairs in back light, phone-like; D32 apart by {RATIO:g}. The two of a "
          "pair share rig, liquid and exit; all else is drawn for each. Ranked by `conebook report --side-by-side`.\n", file=out)
    checks = verdicts(records)
    rows = []
    for what, hits, of, least, holds in checks:
        low, high = chance.exact_interval(hits, of)
        rows.append([what, f"{hits} of {of}", tables.percent(hits / of, 1) if of else "", f"{100 * low:.1f} to {100 * high:.1f} %",
                     f">= {100 * least:g} %", "yes" if holds else "**no**"])
    print(tables.table(["bar", "found", "share", "95 % interval, exact", "wanted", "holds"], rows) + "\n", file=out)
    print(tables.table(["seed", "film", "D32, um", "index ± u", "outcome", "what the program says of the second"],
                       [show(r) for r in records]), file=out)
    return all(c[4] for c in checks) and not any(r["outcome"] == "failed" for r in records)


def run(build, scratch, seeds, jobs, out):
    """Whether both bars hold; records."""
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        records = list(pool.map(lambda s: attempt(pathlib.Path(build), pathlib.Path(scratch) / f"pair{s}", draw(s)), seeds))
    return report(records, out), records
