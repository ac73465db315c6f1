"""Sprays drawn another way, sharing nothing with the renderer: small patches of a wavy, moving sheet and drops put on the
picture by mass, so that limb, waves and sheet's end come of themselves. Truth: crossings of 0.30 of the limb in the same
frames without noise and compression, and the cone as drawn."""
import concurrent.futures
import json
import math
import pathlib
import subprocess

import cv2
import numpy as np

import tables
import truth as truths

WIDTH, HEIGHT, FRAMES, WITHOUT_SPRAY, FPS = 640, 480, 80, 20, 240.0
AROUND = 480              # patches around the axis
PATTERNS = 20             # lengths of the drawn sheet before its waves repeat
MOST_RMSE_DEG = 0.10      # of the half angle in the picture
LEAST_COVERED = 0.85      # share of 95 % intervals that hold; 24 clips cannot tell 95 from 85 %


def draw(seed):
    r = np.random.default_rng(seed)
    px_per_mm, half_deg, exit_mm = r.uniform(7.0, 16.0), r.uniform(18.0, 55.0), r.uniform(0.8, 2.0)
    exit_px = (0.5 * WIDTH + r.uniform(-15.0, 15.0), r.uniform(30.0, 55.0))
    tangent = math.tan(math.radians(half_deg))
    down_mm, side_mm = (HEIGHT - exit_px[1]) / px_per_mm, (min(exit_px[0], WIDTH - exit_px[0]) - 25.0) / px_per_mm
    near = r.random() < 0.5  # a camera close by, and a spray that leans
    return {"seed": seed, "px_per_mm": px_per_mm, "half_deg": half_deg, "exit_mm": exit_mm, "exit_px": exit_px,
            "end_mm": min(r.uniform(0.45, 0.65) * down_mm, 0.8 * side_mm / tangent), "light": str(r.choice(["back", "front"])),
            "film": str(r.choice(["grey", "clear"])), "codec": str(r.choice(["h264", "png", "mjpeg"])),
            "wave": r.uniform(0.005, 0.05), "growth": r.uniform(0.8, 2.5), "end_scatter": r.uniform(0.04, 0.15),
            "blur_px": r.uniform(0.6, 1.4), "noise": r.uniform(0.002, 0.012), "light_level": r.uniform(0.5, 0.9),
            "gradient": r.uniform(0.0, 0.3), "open_shutter": r.uniform(0.0, 0.15), "speed_ends_s": r.uniform(150.0, 360.0),
            "drops": int(r.uniform(10000, 20000)), "drop_darkness": r.uniform(0.25, 0.7), "depth": r.uniform(0.5, 1.2),
            "distance_mm": r.uniform(140.0, 300.0) if near else None, "lean_deg": r.normal(0.0, 1.5) if near else 0.0}


def smooth(noise, along, around):
    """Gaussian, standard deviations in samples, both ways periodic; unit variance."""
    reach = [int(4.0 * s) + 1 for s in (along, around)]
    wide = np.pad(noise, [(n, n) for n in reach], mode="wrap")
    wide = cv2.GaussianBlur(wide, (0, 0), sigmaX=around, sigmaY=along)
    out = wide[reach[0]:-reach[0], reach[1]:-reach[1]]
    return out / out.std()


class Spray:
    def __init__(self, d):
        self.d = d
        self.r = np.random.default_rng([d["seed"], 1])
        noise = lambda rows: self.r.standard_normal((rows, AROUND), dtype=np.float32)
        self.step_mm = 0.5 / d["px_per_mm"]
        self.z = (np.arange(int(1.35 * d["end_mm"] / self.step_mm)) + 0.5) * self.step_mm
        self.angle = (np.arange(AROUND) + 0.5) * 2.0 * math.pi / AROUND
        end = d["end_mm"] / self.step_mm
        self.pattern = PATTERNS * len(self.z)
        self.long_waves = smooth(noise(self.pattern), 0.06 * end, AROUND / 24)
        self.short_waves = smooth(noise(self.pattern), 0.03 * end, AROUND / 60)
        self.holes = smooth(noise(self.pattern), 0.03 * end, AROUND / 80)
        self.ends = smooth(noise(4 * FRAMES), 1.5, AROUND / 40)
        self.r0_mm = 0.46 * d["exit_mm"]
        self.tangent = math.tan(math.radians(d["half_deg"]))
        rise = lambda z: d["wave"] * d["end_mm"] * (np.exp(d["growth"] * z / d["end_mm"]) - 1.0) / (math.exp(d["growth"]) - 1.0)
        self.rise = rise
        n = d["drops"]
        self.drop_angle, self.drop_phase = self.r.uniform(0.0, 2.0 * math.pi, n), self.r.uniform(0.0, 1.0, n)
        self.drop_mass, self.drop_off = self.r.lognormal(0.0, 0.7, n), self.r.standard_normal(n)
        self.drop_turn = self.r.normal(0.0, math.radians(1.5), n)

    def place(self, x, depth, z):
        """mm about the spray's axis onto the picture; depth away from the camera."""
        d = self.d
        lean = math.radians(d["lean_deg"])
        right, down = x * math.cos(lean) + z * math.sin(lean), z * math.cos(lean) - x * math.sin(lean)
        if d["distance_mm"] is None:
            return d["exit_px"][0] + d["px_per_mm"] * right, d["exit_px"][1] + d["px_per_mm"] * down
        centre = [(0.5 * (size - 1) - at) / d["px_per_mm"] for size, at in zip((WIDTH, HEIGHT), d["exit_px"])]
        nearer = d["distance_mm"] / (d["distance_mm"] + depth)
        return (d["exit_px"][0] + d["px_per_mm"] * (centre[0] + (right - centre[0]) * nearer),
                d["exit_px"][1] + d["px_per_mm"] * (centre[1] + (down - centre[1]) * nearer))

    @staticmethod
    def put(picture, u, v, mass):
        i, j = np.floor(u).astype(int), np.floor(v).astype(int)
        for di, du in ((0, 1.0 - (u - i)), (1, u - i)):
            for dj, dv in ((0, 1.0 - (v - j)), (1, v - j)):
                a, b = i + di, j + dj
                keep = (a >= 0) & (a < WIDTH) & (b >= 0) & (b < HEIGHT)
                picture += np.bincount(b[keep] * WIDTH + a[keep], (mass * du * dv)[keep], WIDTH * HEIGHT).reshape(HEIGHT, WIDTH)

    def depth(self, frame, t_s):
        """Optical depth: what the sheet's patches and the drops hold back, pixel by pixel."""
        d = self.d
        rows = (np.arange(len(self.z)) - int(round(d["speed_ends_s"] * d["end_mm"] * t_s / self.step_mm))) % self.pattern
        z = self.z[:, None]
        radius = np.hypot(self.r0_mm, z * self.tangent) + self.rise(z) * (0.8 * self.long_waves[rows] + 0.4 * self.short_waves[rows])
        end = d["end_mm"] * (1.0 + d["end_scatter"] * self.ends[frame])
        there = (z < end[None, :]) & ~((self.holes[rows] > 2.2 - 0.6 * z / d["end_mm"]) & (z > 0.6 * d["end_mm"]))
        # A film of the same mass from ring to ring; a clear one shows where it is seen along itself.
        along = np.clip(1.0 - 1.02 * np.abs(np.sin(self.angle)), 0.02, None) ** 1.5 + 0.02
        mass = np.broadcast_to(along if d["film"] == "clear" else np.ones(AROUND), radius.shape)
        picture = np.zeros((HEIGHT, WIDTH))
        u, v = self.place(radius * np.cos(self.angle), radius * np.sin(self.angle), np.broadcast_to(z, radius.shape))
        self.put(picture, u[there], v[there], mass[there])
        picture *= d["depth"] * 0.7 * math.pi * self.r0_mm * d["px_per_mm"] / AROUND
        # Drops go straight on from the end that they left.
        life_s = 1.4 * HEIGHT / d["px_per_mm"] / (d["speed_ends_s"] * d["end_mm"])
        age = (t_s / life_s + self.drop_phase) % 1.0 * life_s
        left = end[(self.drop_angle / (2.0 * math.pi) * AROUND).astype(int)]
        at = left + 0.8 * d["speed_ends_s"] * d["end_mm"] * age
        out = np.hypot(self.r0_mm, at * self.tangent) + (at - left) * np.tan(self.drop_turn) + 0.7 * self.rise(
            np.minimum(at, self.z[-1])) * self.drop_off
        drops = np.zeros((HEIGHT, WIDTH))
        self.put(drops, *self.place(out * np.cos(self.drop_angle), out * np.sin(self.drop_angle), at), self.drop_mass)
        size = 0.09 * d["px_per_mm"]
        return picture + cv2.GaussianBlur(drops, (0, 0), size) * 2.0 * math.pi * size**2 * d["drop_darkness"]


def film(d, folder):
    """Writes clip and rig. What the spray hides or sends back in each frame with spray, noise-free."""
    spray = Spray(d)
    (folder / "frames").mkdir(parents=True, exist_ok=True)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    level = d["light_level"]
    even = 1.0 - d["gradient"] * (0.6 * x / WIDTH + 0.4 * (y / HEIGHT - 0.5) ** 2)
    behind = level * even if d["light"] == "back" else 0.03 + 0.02 * x / WIDTH
    nozzle = (np.abs(x - d["exit_px"][0]) < 2.2 * d["exit_mm"] * d["px_per_mm"]) & (y < d["exit_px"][1])
    body = (0.08 if d["light"] == "back" else 0.25) * level * (1.0 + 0.15 * cv2.GaussianBlur(
        spray.r.standard_normal((HEIGHT, WIDTH)), (0, 0), 1.5))
    signals = []
    for frame in range(FRAMES):
        hidden = np.zeros((HEIGHT, WIDTH))
        if frame >= WITHOUT_SPRAY:
            moments = [d["open_shutter"] * k / 3.0 for k in range(3 if d["open_shutter"] > 0.02 else 1)]
            deep = np.mean([spray.depth(frame, (frame + m) / FPS) for m in moments], axis=0)
            hidden = 1.0 - np.exp(-(1.0 if d["light"] == "back" else 0.7) * deep)
            signals.append(cv2.GaussianBlur(hidden, (0, 0), d["blur_px"]))
        light = behind * (1.0 - hidden) if d["light"] == "back" else behind + level * hidden
        light = cv2.GaussianBlur(np.where(nozzle, body, light), (0, 0), d["blur_px"])
        light = np.clip(light + d["noise"] * np.sqrt(np.maximum(light, 0.02)) * spray.r.standard_normal(light.shape), 0.0, 1.0)
        code = np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)  # ITU-R BT.709
        cv2.imwrite(str(folder / "frames" / f"f{frame:04d}.png"), np.round(255.0 * np.clip(code, 0.0, 1.0)).astype(np.uint8))
    clip = "frames"
    if d["codec"] != "png":
        clip, words = (("clip.mp4", ["-c:v", "libx264", "-crf", "23", "-pix_fmt", "yuv420p"]) if d["codec"] == "h264" else
                       ("clip.avi", ["-c:v", "mjpeg", "-q:v", "4", "-pix_fmt", "yuvj420p"]))
        subprocess.run(["ffmpeg", "-v", "error", "-y", "-framerate", str(FPS), "-i", str(folder / "frames" / "f%04d.png"), *words,
                        str(folder / clip)], check=True)
    near_mm, far_mm = 2.0 * d["exit_mm"], 0.75 * d["end_mm"]
    stand = f"distance_mm = {d['distance_mm']}\nfocal_px = {d['distance_mm'] * d['px_per_mm']}\n" if d["distance_mm"] else ""
    (folder / "rig.toml").write_text(
        f'# Invented, drawn.\n[element]\nid = "D1"\n[camera]\nfps = {FPS}\ntilt_deg = 0.0\nu_tilt_deg = 0.1\n{stand}[scale]\n'
        f"px_per_mm = {d['px_per_mm']}\n[nozzle]\nexit_px = [{d['exit_px'][0]}, {d['exit_px'][1]}]\nexit_diameter_mm = "
        f'{d["exit_mm"]}\naxis_deg = 0.0\nu_axis_deg = 0.05\n[spray]\nillumination = "{d["light"]}lit"\n[stations]\nnear_mm = '
        f"{near_mm}\nfar_mm = {far_mm}\n")
    return clip, np.array(signals), near_mm, far_mm


def shown(d, signals, near_mm, far_mm):
    """Half angle in the picture, mean of both sides: lines through the rows' median crossings of 0.30 of the limb."""
    x0, y0 = d["exit_px"]
    rows = np.arange(math.ceil(y0 + near_mm * d["px_per_mm"]), int(y0 + far_mm * d["px_per_mm"]))
    angles = []
    for side in (-1, 1):
        half = signals[:, rows, : int(x0)][:, :, ::-1] if side < 0 else signals[:, rows, int(x0):]
        level = 0.30 * np.median(half.max(axis=2))
        last = half.shape[2] - 1 - np.argmax(half[:, :, ::-1] > level, axis=2)
        frame, row = np.indices(last.shape)
        inner, outer = half[frame, row, last], half[frame, row, np.minimum(last + 1, half.shape[2] - 1)]
        edge = np.median(last + (inner - level) / np.maximum(inner - outer, 1e-9), axis=0)
        angles.append(math.degrees(math.atan(truths.slope(rows.astype(float), edge))))
    return 0.5 * (angles[0] + angles[1])


def one(build, folder, d):
    clip, signals, near_mm, far_mm = film(d, folder)
    done = subprocess.run([str(build / "conebook"), "--threads", "1", "--quiet", "measure", str(folder / clip), "--rig",
                           str(folder / "rig.toml"), "--json", str(folder / "result.json")], capture_output=True, text=True)
    if done.returncode not in (0, 3):
        raise RuntimeError(f"measure ended with {done.returncode}: {done.stderr.strip()}")
    result = json.loads((folder / "result.json").read_text())
    point = result["points"][0] if result["points"] else {}
    angle = point.get("half_angle_deg") or {}
    entry = lambda truth, q: ({"truth": truth, "value": q["value"], "u": q["u"], "lo": q["lo95"], "hi": q["hi95"]}
                              if q and q.get("value") is not None else {"truth": truth, "value": None})
    return {"drawn": d, "flags": sorted({f["code"] for f in result["flags"] if f["severity"] != "info"}),
            "apparent": entry(shown(d, signals, near_mm, far_mm), point.get("apparent_half_angle_deg")),
            "cone": entry(d["half_deg"], point.get("cone_half_angle_deg")), "lean": entry(d["lean_deg"], angle.get("lean")),
            "breakup": entry(d["end_mm"], point.get("breakup_mm"))}


def run(build, scratch, seeds, jobs, out):
    """Writes the tables. Whether the bars hold; the records."""
    def go(seed):
        folder = pathlib.Path(scratch) / f"drawn{seed}"
        return one(build, folder, draw(seed))
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        records = list(pool.map(go, seeds))
    titles = [("apparent", "half angle in the picture, deg", 3, False), ("lean", "lean, deg", 3, False),
              ("cone", "cone half angle, deg", 3, False), ("breakup", "breakup length against the median end, %", 1, True)]
    rows, sums = [], {}
    for key, title, decimals, relative in titles:
        s = sums[key] = tables.summary([r[key] for r in records], relative)
        rows.append([title, s["n"], s["missing"]] + [tables.number(s.get(k), decimals) for k in ("bias", "rmse", "worst")]
                    + [tables.number(s.get("coverage"), 0), tables.number(s.get("u_ratio"), 2)])
    print("## Sprays drawn another way\n\nNothing of the renderer in them; one point each, some 60 frames with spray; half of them "
          "near the camera and leaning.\n", file=out)
    print(tables.table(["quantity", "n", "missing", "bias", "RMSE", "worst", "95 % interval holds, %", "rms u / RMSE"], rows),
          file=out)
    error = lambda e, relative: None if e["value"] is None else (e["value"] - e["truth"]) * (100.0 / e["truth"] if relative else 1.0)
    print("", file=out)
    print(tables.table(["seed", "footage", "half angle", *(t[1].split(",")[0] for t in titles), "warned"],
                       [[r["drawn"]["seed"], f"{r['drawn']['light']}, {r['drawn']['film']}, {r['drawn']['codec']}",
                         f"{r['drawn']['half_deg']:.0f}", *(tables.number(error(r[k], rel), dec) for k, _, dec, rel in titles),
                         ", ".join(r["flags"])] for r in records]), file=out)
    first = sums["apparent"]
    good = (first["missing"] == 0 and first["rmse"] <= MOST_RMSE_DEG
            and all(sums[k].get("coverage", 0.0) >= 100.0 * LEAST_COVERED for k in ("apparent", "lean", "cone", "breakup")))
    return good, records
