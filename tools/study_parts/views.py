"""One element seen at rotations 0, 120 and 240 about its axis: the lean vector that a test day fits from the views,
beside the true one, and, in back light, how unevenly its drops go around the cone, beside what was drawn. Holder out of plumb, camera rolled, mark not quite where it is said: drawn in, and not told."""
import concurrent.futures
import json
import math
import pathlib
import random
import subprocess
import tomllib

import tables

ROTATIONS = (0.0, 120.0, 240.0)
HOLDER_DEG, ROLL_DEG, MARK_DEG = 1.0, 1.0, 1.0  # sd of what is drawn in
MOST_DEG = 0.15                                 # between fitted and true vector


def draw(seed):
    """An element, its lean, and how holder and camera stand."""
    r = random.Random(seed)
    size = r.uniform(0.2, 2.5)
    direction = r.uniform(0.0, 360.0)
    phone = r.random() < 0.7
    scale = r.uniform(9.0, 18.0)
    half_angle = r.uniform(20.0, 45.0)
    # The exit is put a tenth down in the middle of the picture; the sheet ends well inside.
    width, height = (1280, 720) if phone else (800, 600)
    room_mm = min(0.85 * height, 0.42 * width / math.tan(math.radians(half_angle + 3.0))) / scale
    light, film = r.choice([("backlit", "grey"), ("backlit", "clear"), ("frontlit", "grey"), ("frontlit", "clear")])
    settings = {"camera": "phone" if phone else "highspeed", "light": light, "film": film, "width": width,
                "height": height, "px_per_mm": scale, "half_angle_deg": half_angle, "angle_rise_deg": 0.0,
                "breakup_in_view": 1, "breakup_mm": room_mm * r.uniform(0.6, 0.9), "exit_diameter_mm": r.uniform(0.8, 1.8),
                "exit_x_px": 0.5 * width + r.uniform(-30.0, 30.0), "exit_y_px": 0.1 * height,
                "distance_mm": r.uniform(200.0, 600.0), "pressures_bar": round(r.uniform(3.0, 8.0), 2), "rotation": 0,
                "pulsation_deg": 0.0, "lens_file": 0, "lens_corner": 0.0, "axis_written": 0, "tilt_written": 0,
                "distance_written": 1, "stations_written": 0, "prespray": 1, "closes": 0, "element": "V1",
                "area_written": 0}
    if phone:
        settings.update(codec="h264", container="mp4", variable_rate=0, fps=60)
    # One element, one spray, whatever else a view's own seed draws. Ligaments go around evenly: few of them reach down
    # to where drops are looked at.
    settings.update(breakup_scatter=0.06, ligament_reach=0.15, d32_um=r.uniform(150.0, 300.0), drop_spread=0.35,
                    drop_scatter_deg=3.0, drops_per_mm=r.uniform(50.0, 150.0))
    # Part of the drops fly within a bell about one azimuth: harmonic m of the density around is known in closed form.
    ray = {"share": r.uniform(0.05, 0.35), "width_deg": r.uniform(20.0, 60.0), "azimuth_deg": r.uniform(0.0, 360.0)}
    return {"ray": ray if light == "backlit" else None, "seed": seed, "size_deg": size, "direction_deg": direction, "settings": settings,
            "across_deg": r.gauss(0.0, HOLDER_DEG) + r.gauss(0.0, ROLL_DEG), "tilt_deg": r.gauss(0.0, HOLDER_DEG),
            "off_deg": [r.gauss(0.0, MARK_DEG) for _ in ROTATIONS]}


def seen(element, rotation_deg):
    """Lean to the picture's right and towards the camera. The element hangs along +Y, X right, Z away from the camera;
    its mark faces the camera (-Z) and turns right-handed about +Y: counter-clockwise, looking upstream."""
    at = math.radians(rotation_deg + element["direction_deg"])
    lean = math.radians(element["size_deg"])
    x, y, z = -math.sin(at) * math.sin(lean), math.cos(lean), -math.cos(at) * math.sin(lean)
    return math.degrees(math.atan2(x, y)), math.degrees(math.atan2(-z, math.hypot(x, y)))


def inline(value):
    """A rig's table as the one line that a test-day sheet takes."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(inline(v) for v in value) + "]"
    return json.dumps(value)


def one(build, folder, element):
    """Renders the views, measures them as a test day, and tells what it fitted."""
    folder.mkdir(parents=True, exist_ok=True)
    sheet = '[day]\nname = "views"\nrig = "rig.toml"\n'
    for i, rotation in enumerate(ROTATIONS):
        place = folder / f"view{i}"
        right, towards = seen(element, rotation + element["off_deg"][i])
        settings = dict(element["settings"], lean_deg=right, axis_deg=element["across_deg"],
                        tilt_deg=element["tilt_deg"] + towards)
        if element["ray"]:
            # The renderer counts from the picture's right, away from the camera; the mark faces the camera at 0.
            settings.update(drop_ray_share=element["ray"]["share"], drop_ray_width_deg=element["ray"]["width_deg"],
                            drop_ray_deg=(270.0 - element["ray"]["azimuth_deg"] - rotation - element["off_deg"][i]) % 360.0)
        words = [build / "tools" / "render" / "conebook_render", "--seed", 1000 * element["seed"] + i, "--group", "phone" if
                 settings["camera"] == "phone" else "highspeed", "--fast", "--out", place,
                 "--set", *(f"{k}={v}" for k, v in settings.items())]
        subprocess.run([str(w) for w in words], check=True, capture_output=True)
        rig = tomllib.loads((place / "rig.toml").read_text())
        truth = json.loads((place / "truth.json").read_text())
        rig["view"] = {"rotation_deg": rotation}
        name = rig.pop("element")["id"]
        # One [[clip]] takes one element; its rig goes in as what differs from the day's.
        sheet += (f'[[clip]]\nfile = "view{i}/{truth["clip"]}"\nelement = "{name}"\nlog = "view{i}/log.csv"\n'
                  f"rig = {inline(rig)}\n")
        exit_mm = rig["nozzle"]["exit_diameter_mm"]
    (folder / "rig.toml").write_text(f'[element]\nid = "day"\n[nozzle]\nexit_diameter_mm = {exit_mm}\n')
    (folder / "DAY.toml").write_text(sheet)
    out = folder / "out"
    done = subprocess.run([str(build / "conebook"), "--threads", "1", "--quiet", "measure", "--sheet",
                           str(folder / "DAY.toml"), "--json", str(out)], capture_output=True, text=True)
    if done.returncode not in (0, 3):
        raise RuntimeError(f"measure ended with {done.returncode}: {done.stderr.strip()}")
    day = json.loads((out / "day.json").read_text())
    found = [v for v in day["views"] if v["lean"]]
    if not found:
        return None
    lean = found[0]["lean"]
    vector = lambda size, direction: (size * math.cos(math.radians(direction)), size * math.sin(math.radians(direction)))
    fitted = vector(lean["size_deg"]["value"], lean["direction_deg"])
    true = vector(element["size_deg"], element["direction_deg"])
    return {"size_deg": lean["size_deg"]["value"], "u_size_deg": lean["size_deg"]["u"],
            "direction_deg": lean["direction_deg"], "u_direction_deg": lean["u_direction_deg"],
            "holder_deg": lean["holder_deg"]["value"], "u_holder_deg": lean["holder_deg"]["u"],
            "off_deg": math.dist(fitted, true), "harmonics": harmonics(element["ray"], found[0]["extinction"])}


def harmonics(ray, extinction):
    """Of those that the views tell and the drops have: order, true amplitude along the direction found, found, u."""
    rows = []
    for h in extinction["harmonics"] if ray and extinction else []:
        m = h["order"]
        amplitude = 2.0 * ray["share"] * math.exp(-0.5 * (m * math.radians(ray["width_deg"])) ** 2)
        along = amplitude * math.cos(m * math.radians(ray["azimuth_deg"] - h["direction_deg"]))
        if h["told"] and m <= 2:
            rows.append((m, amplitude, along, h["amplitude"], h["u"], h["direction_deg"], h["u_direction_deg"]))
    return rows


def run(build, scratch, seeds, jobs, out):
    """Writes the table. Whether every element was fitted within MOST_DEG."""
    elements = [draw(seed) for seed in seeds]
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        found = list(pool.map(lambda e: one(build, pathlib.Path(scratch) / f"element{e['seed']}", e), elements))
    rows = []
    for e, f in zip(elements, found):
        s = e["settings"]
        rows.append([e["seed"], f"{s['camera']}, {s['light']}, {s['film']}", f"{s['half_angle_deg']:.0f}",
                     f"{e['size_deg']:.2f} to {e['direction_deg']:.0f}",
                     f"{f['size_deg']:.2f} (u {f['u_size_deg']:.2f}) to {f['direction_deg']:.0f} "
                     f"(u {f['u_direction_deg']:.0f})" if f else "no lean",
                     f"{e['across_deg']:+.2f}", f"{f['holder_deg']:+.2f} (u {f['u_holder_deg']:.2f})" if f else "",
                     tables.number(f and f["off_deg"], 3)])
    print(f"## True lean from views: rendered sprays\n\nClips of one element at {', '.join(f'{r:g}' for r in ROTATIONS)} "
          f"deg; drawn in and not told: holder ({HOLDER_DEG:g} deg, across and along the line of sight), camera roll "
          f"({ROLL_DEG:g} deg), the mark's place in each view ({MARK_DEG:g} deg). Off: length between the fitted and the "
          f"true lean vector, {MOST_DEG} deg at most.\n", file=out)
    print(tables.table(["seed", "footage", "half angle", "true lean, deg", "fitted", "true holder and roll", "fitted",
                        "off, deg"], rows), file=out)
    around = [[e["seed"], m, f"{true:.3f} at {e['ray']['azimuth_deg'] % (360 / m):.0f}", f"{value:.3f} (u {u:.3f}) at "
               f"{direction:.0f}" + (f" (u {u_direction:.0f})" if u_direction else ""), f"{(value - along) / u:+.1f}"]
              for e, f in zip(elements, found) if f for m, true, along, value, u, direction, u_direction in f["harmonics"]]
    print("\nExtinction around the cone, in back light: part of the drops in a bell about one azimuth, which thins them "
          "elsewhere; amplitude and azimuth of its harmonics. True: of the drops as they are sent off; ligaments, which "
          "go around evenly, and the scatter of the drops' ways make what is seen a little less.\n", file=out)
    print(tables.table(["seed", "a turn", "true", "found", "error over u"], around), file=out)
    off = [f["off_deg"] for f in found if f]
    good = len(off) == len(found) and max(off) <= MOST_DEG
    if off:
        print(f"\nOff: rms {math.sqrt(math.fsum(o * o for o in off) / len(off)):.3f} deg, largest {max(off):.3f} deg; "
              f"{sum(o <= MOST_DEG for o in off)} of {len(found)} within {MOST_DEG} deg.", file=out)
    return good
