"""What `conebook plan` expected of the half angle before a clip was seen, beside what was then measured."""
import json
import math
import subprocess
import tomllib

import tables

LEAST_RIGS = 100  # fewer are not judged
PIXEL_UM = 3.0    # no rig states it; it only splits px/mm into focal length and pixel, and nothing of u hangs on it


def upright(truth, rig):
    """Width, height and exit with the spray pointing down; the exit is None where the rig does not state it."""
    width, height = truth["true"]["width"], truth["true"]["height"]
    x, y = rig["nozzle"].get("exit_px") or (None, None)
    quarter = round(rig["nozzle"].get("axis_deg", 0.0) / 90.0) % 4  # 0 down, 1 right, 2 up, 3 left
    place = lambda a, b: None if x is None else (a, b)
    if quarter == 1:
        return height, width, place(height - 1 - (y or 0.0), x)
    if quarter == 2:
        return width, height, place(width - 1 - (x or 0.0), height - 1 - (y or 0.0))
    if quarter == 3:
        return height, width, place(y, width - 1 - (x or 0.0))
    return width, height, place(x, y)


def words(truth, rig, lens, half_angle_deg):
    """Only what a rig states or an engineer knows before filming: half angle to 5 deg, pressure to half a bar, how
    long a pressure is held, how far away the camera stands to a tenth of a decade where the rig leaves it out."""
    camera, scale = rig["camera"], rig["scale"]["px_per_mm"]
    points = [p for p in truth["points"] if p["frames"] > 0]
    width, height, exit_px = upright(truth, rig)
    focal_px = lens["fx_px"] if lens else camera.get("focal_px")
    stated = focal_px is not None or "distance_mm" in camera
    if focal_px is not None:
        distance = focal_px / scale
    else:
        distance = camera.get("distance_mm", 10.0 ** round(math.log10(truth["true"]["distance_mm"]), 1))
    magnification = 1e-3 * PIXEL_UM * scale
    out = ["--pressure-bar", max(0.5, round(2.0 * points[0]["pressure_bar"]) / 2.0),
           "--half-angle-deg", half_angle_deg,
           "--exit-mm", rig["nozzle"]["exit_diameter_mm"], "--width-px", width, "--height-px", height,
           "--focal-mm", magnification * distance / (1.0 + magnification), "--pixel-um", PIXEL_UM,
           "--distance-mm", distance, "--f-number", 8, "--fps", truth["true"]["fps"],
           "--clip-s", sum(p["t1_s"] - p["t0_s"] for p in points) / len(points),
           "--tilt-deg", camera.get("tilt_deg", 0.0),
           "--u-tilt-deg", camera.get("u_tilt_deg", 2.0)]
    if exit_px:
        out += ["--exit-px", f"{exit_px[0]},{exit_px[1]}"]
    if "stations" in rig:
        out += ["--near-mm", rig["stations"]["near_mm"], "--far-mm", rig["stations"]["far_mm"]]
    if stated:
        part = camera["u_distance_mm"] / camera["distance_mm"] if "u_distance_mm" in camera else 0.03
        out += ["--u-distance-percent", 100.0 * part]
    else:
        out.append("--distance-not-stated")
    if "lens" in camera:
        out.append("--lens-calibrated")
    if truth["group"]["codec"].startswith("frames"):
        out.append("--lossless")
    return [str(w) for w in out]


def ask(build, folder, truth, rig):
    """Predicted u of the half angle and its causes; or why there is none. None: no point was filmed."""
    if not any(p["frames"] > 0 for p in truth["points"]):
        return None
    lens = tomllib.loads((folder / rig["camera"]["lens"]).read_text())["lens"] if "lens" in rig["camera"] else None
    expected = max(5.0, 5.0 * round(truth["true"]["half_angle_deg"] / 5.0))
    for half_angle_deg in (expected, expected - 2.5):  # the rounded one may just not fit the picture
        told = words(truth, rig, lens, half_angle_deg)
        done = subprocess.run([str(build / "conebook"), "plan", "--json", "-", *told], capture_output=True, text=True)
        if done.returncode == 0 or "out of view" not in done.stderr:
            break
    if done.returncode != 0:
        return {"u": None, "why": " ".join(done.stderr.split())}
    said = json.loads(done.stdout)["half_angle_deg"]
    if not said or said.get("u") is None:
        return {"u": None, "why": "no u given"}
    return {"u": said["u"], "budget": {b["source"].split(" (")[0]: b["u"] for b in said["budget"]},
            "distance_stated": "--distance-not-stated" not in told}


def pairs(records):
    """Of each rig: predicted u, and the squared error of the half angle, mean over the points that were measured."""
    out = []
    for r in records:
        square = [(p["program"]["mean"]["value"] - p["program"]["mean"]["truth"]) ** 2 for p in r.get("points", [])
                  if p["program"].get("mean", {}).get("value") is not None]
        said = r.get("plan")
        if said and said["u"] is not None and square:
            out.append((said["u"], math.fsum(square) / len(square)))
    return out


def root_mean(values):
    return math.sqrt(math.fsum(values) / len(values))


def middle(values):
    values = sorted(values)
    return 0.5 * (values[(len(values) - 1) // 2] + values[len(values) // 2])


def ratio(found):
    """rms predicted over RMSE; and what the odd large error does not move: 0.674 (the median of a normal error in its
    own u) over the median of error / u."""
    error = root_mean([e for _, e in found])
    z = middle([math.sqrt(e) / u for u, e in found])
    return (root_mean([u * u for u, _ in found]) / error if error > 0.0 else None, 0.67449 / z if z > 0.0 else None)


def groups(used):
    codec = lambda r: r["group"]["codec"].startswith("frames")
    stated = lambda r: r["plan"].get("distance_stated")
    return ([("all", lambda r: True)] + [(f"set {s}", lambda r, s=s: r["set"] == s) for s in used]
            + [("tilt stated", lambda r: r["tilt_stated"]), ("tilt not stated", lambda r: not r["tilt_stated"]),
               ("distance stated, or focal length", stated), ("neither stated", lambda r: not stated(r)),
               ("tilt and distance stated", lambda r: r["tilt_stated"] and stated(r)),
               ("lens file", lambda r: r["group"]["lens_file"]), ("no lens file", lambda r: not r["group"]["lens_file"]),
               ("compressed", lambda r: not codec(r)), ("not compressed", codec)])


def say_table(say, good, used):
    asked = [r for r in good if r.get("plan")]
    if not asked:
        return
    silent = [r for r in asked if r["plan"]["u"] is None]
    answered = [r for r in asked if r["plan"]["u"] is not None]
    say("`conebook plan` told what each rig states (half angle to 5 deg, pressure to half a bar), no picture seen: its u "
        "of the half angle against the error that was then made; one error a rig, the root mean square over its "
        "points. Last column: 0.674 over the median of error / u, which odd large errors do not move.")
    say()
    rows = []
    for name, chosen in groups(used):
        found = pairs([r for r in answered if chosen(r)])
        if not found:
            continue
        whole, robust = ratio(found)
        rows.append([name, len(found), tables.number(root_mean([u * u for u, _ in found]), 3),
                     tables.number(root_mean([e for _, e in found]), 3), tables.number(whole, 2),
                     tables.number(middle([u for u, _ in found]), 3),
                     tables.number(middle([math.sqrt(e) for _, e in found]), 3), tables.number(robust, 2)])
    say(tables.table(["group", "rigs", "rms of predicted u, deg", "RMSE, deg", "ratio", "median predicted u",
                      "median error", "robust ratio"], rows))
    say()
    say(f"Rigs asked {len(asked)}; plan gave no u for {len(silent)}; no half angle was measured on "
        f"{len(answered) - len(pairs(answered))}.")
    why = {}
    for r in silent:
        why.setdefault(r["plan"]["why"], []).append(r["name"])
    for text, names in sorted(why.items()):
        say(f"- {', '.join(names[:5])}: {text}")
    causes = sorted({c for r in answered for c in r["plan"]["budget"]})
    say()
    say(tables.table(["cause of predicted u", "rigs", "rms, deg"], [
        [c, len(v), tables.number(root_mean([u * u for u in v]), 3)]
        for c in causes for v in [[r["plan"]["budget"][c] for r in answered if c in r["plan"]["budget"]]]]))


def aim(good):
    """Row of the aims."""
    found = pairs([r for r in good if r.get("plan")])
    if not found:
        return None
    whole, robust = ratio(found)
    if whole is None:
        return None
    verdict = "too few" if len(found) < LEAST_RIGS else "PASS" if 0.7 <= whole <= 1.4 else "FAIL"
    return ["plan: rms of predicted u / RMSE, half angle", "all rigs", len(found), "0.7 to 1.4",
            f"{whole:.2f} (robust {tables.number(robust, 2)})", verdict]
