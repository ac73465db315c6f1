"""One thing about the footage, or about what the rig states, changed at a time: what it does to each quantity. Pairs:
the same spray, rendered with and without the change, each against its own truth."""
import concurrent.futures
import json
import math
import pathlib
import subprocess

import judge
import truth as truths

BASE = ["camera=phone", "codec=h264", "container=mp4", "width=1280", "height=720", "rotation=0", "variable_rate=0",
        "lens_corner=0", "lens_file=0", "tilt_deg=0", "tilt_written=1", "distance_written=1", "focal_written=1",
        "exit_written=1", "axis_deg=0", "axis_written=1", "prespray=1", "breakup_in_view=1", "structure=0.1",
        "pressures_bar=5", "pulsation_deg=0", "wave_growth=3"]
LOOKS = [("backlit", "grey"), ("backlit", "clear"), ("frontlit", "grey"), ("frontlit", "clear")]
CHANGES = [
    ("tilt of 5 deg, not stated", ["tilt_deg=5", "tilt_written=0"]),
    ("tilt of 10 deg, not stated", ["tilt_deg=10", "tilt_written=0"]),
    ("lens moves the corners by 1 %, not stated", ["lens_corner=0.01"]),
    ("distance not stated", ["distance_written=0", "focal_written=0"]),
    ("exit not stated", ["exit_written=0"]),
    ("no spray-free frames", ["prespray=0"]),
    ("no spray-free frames, cluttered background", ["prespray=0", "structure=1"]),
    ("defocus, sd 3 px", ["defocus_px=3"]),
    ("exposure of 1/2000 s", ["exposure_s=5e-4"]),
    ("haze of 15 %", ["haze=0.15"]),
    ("sharpened by the phone", ["sharpen=1"]),
    ("compressed to rate factor 34", ["quality=34"]),
    ("shake, 1.5 px rms", ["shake_px=1.5"]),
    ("pulsation, 1.5 deg half peak to peak", ["pulsation_deg=1.5", "pulsation_hz=7"]),
]
KEYS = [("mean", "half angle, deg"), ("sheet", "sheet, deg"), ("cone", "cone, deg"), ("breakup", "breakup, %")]


def measure(build, folder, seed, settings):
    """Errors and u by quantity, flags; None: refused."""
    words = [build / "tools" / "render" / "conebook_render", "--seed", seed, "--group", "clean", "--out", folder,
             "--truth-frames", 40, "--set", *settings]
    subprocess.run([str(w) for w in words], check=True, capture_output=True)
    truth = json.loads((folder / "truth.json").read_text())
    result_path = folder / "result.json"
    done = subprocess.run([str(build / "conebook"), "--threads", "1", "--quiet", "measure", str(folder / truth["clip"]),
                           "--rig", str(folder / "rig.toml"), "--log", str(folder / "log.csv"), "--json",
                           str(result_path)], capture_output=True, text=True)
    if done.returncode not in (0, 3):
        raise RuntimeError(f"measure ended with {done.returncode}: {done.stderr.strip()}")
    result = json.loads(result_path.read_text())
    warned = sorted({f["code"] for f in result["flags"] if f["severity"] != "info"})
    if result["verdict"] == "rejected" or result["stations_mm"] is None:
        return {"warned": warned, "values": {}}
    pairs, _, _ = truths.match(truth["points"], result["points"], truth["true"]["log_minus_video_s"])
    values = {}
    for i, k in pairs.items():
        point = judge.judge_point(i, truth["points"][i], result["points"][k], result, result["stations_mm"], None, k,
                                  truths.Odd(truth["true"]))
        for key, _ in KEYS:
            entry = point["program"].get(key)
            if entry and entry["value"] is not None:
                scale = 100.0 / entry["truth"] if key == "breakup" else 1.0
                values[key] = ((entry["value"] - entry["truth"]) * scale, entry["u"] * scale)
    return {"warned": warned, "values": values}


def cell(pairs):
    """Mean change of the error, its rms, and the median u with the change made."""
    if not pairs:
        return "-"
    shifts = [b[0] - a[0] for a, b in pairs]
    mean = math.fsum(shifts) / len(shifts)
    rms = math.sqrt(math.fsum(s * s for s in shifts) / len(shifts))
    u = sorted(b[1] for _, b in pairs)[len(pairs) // 2]
    return f"{mean:+.2f} ({rms:.2f}; u {u:.2f})"


def run(build, scratch, seeds, jobs, out):
    clips = [(seed, look) for seed in seeds for look in LOOKS]

    def one(task):
        name, changes, (seed, look) = task
        folder = pathlib.Path(scratch) / f"{name}-{seed}-{look[0]}-{look[1]}"
        settings = {s.split("=")[0]: s.split("=")[1] for s in BASE + [f"light={look[0]}", f"film={look[1]}"] + changes}
        return measure(build, folder, seed, [f"{k}={v}" for k, v in settings.items()])

    tasks = [("base", [], clip) for clip in clips]
    tasks += [(f"change{i}", changes, clip) for i, (_, changes) in enumerate(CHANGES) for clip in clips]
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        found = list(pool.map(one, tasks))
    base = found[:len(clips)]
    print(f"## One thing changed at a time: rendered sprays\n\n{len(clips)} sprays, each with and without the change; in "
          "a cell the mean change of the error, (its rms; the median u that the program states with the change made).\n",
          file=out)
    print("| what is changed | " + " | ".join(title for _, title in KEYS) + " | warned or refused |", file=out)
    print("|---|" + "---|" * (len(KEYS) + 1), file=out)
    for i, (title, _) in enumerate(CHANGES):
        changed = found[len(clips) * (i + 1):len(clips) * (i + 2)]
        cells = [cell([(a["values"][key], b["values"][key]) for a, b in zip(base, changed)
                       if key in a["values"] and key in b["values"]]) for key, _ in KEYS]
        warned = sum(bool(set(b["warned"]) - set(a["warned"])) for a, b in zip(base, changed))
        print(f"| {title} | " + " | ".join(cells) + f" | {warned} of {len(clips)} |", file=out)
