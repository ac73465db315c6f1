#!/usr/bin/python3
"""Makes the filming guide: the same rendered spray filmed well and badly, and what each fault costs.

    filming_guide.py --program BUILD/conebook --renderer BUILD/tools/render/conebook_render [--out vision/filming]
                     [--only KEY ...]

Both clips of a pair are measured by `conebook measure` and compared with the renderer's truth; the page takes its figures
from there. A fault that costs nothing (no flag, no wider interval, no larger error) fails the script. Same build, same
bytes. Needs what tools/setup --study installs. --only tries some pairs and leaves the page alone.
"""
import argparse
import json
import math
import pathlib
import subprocess
import sys
import tempfile

import cv2
import numpy as np

from flag_bench import CLIP, read_frames

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tools" / "study_parts"))
import truth as truths  # noqa: E402  lines through the renderer's boundary between any stations

MOST_BYTES, MOST_PICTURE = 700_000, 60_000
SEEDS = (8, 18, 28, 38)  # the same spray, its waves and drops anew; the picture is of the first
WIDE, GAP = 400, 10
# The clip that nothing is wrong with.
GOOD = dict(CLIP, film="grey", width=640, height=480, px_per_mm=11.0, exit_x_px=322, exit_y_px=58, axis_deg=0.0, tilt_deg=0.0,
            breakup_mm=18.0, wave_mm=0.15, frames=60, hold_1_s=1.8, element="G01", d32_um=300,
            exposure_s=1e-5)

HEAD = """All pictures on this page are rendered, none is filmed; `tools/render/filming_guide.py` makes them and this page.

# How to film a spray

Left as it should be, right with the thing named wrong, the same spray both times. Below each pair: what `conebook measure` said of
four clips of each kind, against the truth, which the renderer knows. `off` is the root mean square of measured less true; u is
what the program stated, also as a root mean square. The figures show what kind of loss to expect, not its size on your stand.
Codes lead to [the gallery of flags](../../src/report/gallery/README.md).

> Pressurised liquid and its jets can injure, and some liquids burn. Stay outside the spray and within the stand's rated
> pressure; local codes and licensed practice come before anything said here about pictures.

Before you set up, let `conebook plan` work out field of view, px/mm, longest exposure, depth of field and the u to expect.

| set | to | see |
|---|---|---|
"""


class Pair:
    def __init__(self, key, title, setting, advice, why, good=None, bad=None, alter=None, good_words="", bad_words=""):
        self.key, self.title, self.setting, self.advice, self.why = key, title, setting, advice, why
        self.good, self.bad, self.alter = good or {}, bad or {}, alter
        self.good_words, self.bad_words = good_words, bad_words


def walk_through(frames):
    """Somebody dark walks through behind the spray: what is behind them is dimmed, the spray before them stays."""
    out, high = [], frames[0].shape[0]
    for k, frame in enumerate(frames):
        x = round(-80 + (frame.shape[1] + 160) * k / (len(frames) - 1))
        step = 34.0 * math.sin(0.55 * k)
        shade = np.zeros(frame.shape[:2], np.float32)
        for cx, cy, rx, ry in ((x, 0.12 * high, 28, 36), (x, 0.42 * high, 50, 110), (x - step, 0.82 * high, 24, 100),
                               (x + step, 0.82 * high, 24, 100)):
            cv2.ellipse(shade, ((cx, cy), (2 * rx, 2 * ry), 0), 1.0, -1, cv2.LINE_AA)
        shade = cv2.GaussianBlur(shade, (0, 0), 2.0)[..., None]
        out.append(np.uint8(np.round(frame * (1.0 - 0.6 * shade))))
    return out


PAIRS = [
    Pair("light", "Light the spray from behind",
         "a bright, even, diffuse panel behind the spray, larger than the picture",
         "Put a diffuser (opal acrylic, tracing paper) between lamp and spray, a hand's width or more behind the spray. Dim "
         "the room. A direct-current lamp does not flicker.",
         "From behind every drop and film takes light away, on both sides alike. From the front, clear water shows glints "
         "and whatever stands behind it.",
         good=dict(film="clear"), bad=dict(light="frontlit", field=0.2, structure=1.0, background=0.2, glint=1.5, light_side=0.95,
                  lost_side=-1, lost_from=0.25, lost_to=0.8, read_noise=0.01, full_well=900),
         good_words="diffuse panel behind", bad_words="dim lamp in front, clutter behind"),
    Pair("brightness", "Keep the panel below white",
         "the panel at two thirds of full scale; zebra or histogram free of clipping",
         "Lock exposure by hand. Automatic exposure drifts when the spray opens.",
         "Where the sensor is full, the rim of the spray is eaten away, and nothing in the picture tells by how much.",
         bad=dict(gain=2.4), good_words="panel grey", bad_words="panel burnt out"),
    Pair("exposure", "Expose for microseconds, not for milliseconds",
         "as short as the light allows; `conebook plan` names the time in which the sheet moves one pixel",
         "Trade: more light first, then gain, then lens opening.",
         "A long exposure wipes waves, holes and ligaments into fog: the end of the sheet and the drops go first.",
         bad=dict(exposure_s=4e-3), good_words="1/100 000 s", bad_words="1/250 s"),
    Pair("focus", "Focus on the spray's sides",
         "manual focus on the nozzle's tip, depth of field beyond the spray's radius",
         "The silhouette lies in the plane of the axis: focus on the tip, or on a rod held in the spray's place. Lock it.",
         "Blur moves the rim outward, by more where it is fainter further down, and drowns the sheet's end.",
         bad=dict(defocus_px=7.0), good_words="sharp", bad_words="focus behind the spray"),
    Pair("frame", "Both sides and the sheet's end in the picture",
         "the exit a tenth below the upper edge, in the middle; room beside the spray down to a third beyond its breakup",
         "Try the highest pressure first: it opens widest. Turn the camera upright if the spray is narrow.",
         "A side that leaves the picture shortens the stretch that the line is fitted to, or ends it.",
         bad=dict(exit_x_px=560.0), good_words="all in view", bad_words="right side cut off"),
    Pair("square", "Camera square to the axis, far away, and say how far",
         "optical axis through the spray's middle; tilt below 2 deg, stated; distance and px/mm stated",
         "Level camera and nozzle with the same spirit level. A long lens from farther away is kinder than a wide one close by. "
         "`conebook calibrate scale` with a board gives tilt and scale; `calibrate cone` proves them.",
         "A cone that leans towards the camera looks wider, always. Nothing in the picture tells.",
         bad=dict(tilt_deg=9.0, tilt_written=0, distance_mm=110.0, distance_written=0, focal_written=0),
         good_words="square, from 420 mm, stated", bad_words="9 deg of tilt, from 110 mm, neither stated"),
    Pair("start", "One second without spray at the start",
         "camera running a second before the valve opens, and nothing touched from then on",
         "Start the camera, count to two, open the valve.",
         "The empty second is the background that is taken out. Without it whatever stands behind the spray stays in.",
         good=dict(light="frontlit", structure=1.0, background=0.25), bad=dict(prespray=0),
         good_words="first frame: no spray yet", bad_words="first frame: spraying already"),
    Pair("walker", "Nobody walks through",
         "camera on a stand of its own; nobody and nothing moving behind or before the spray",
         "Film into a wall or a screen. Tie down hoses and cables in the picture.",
         "What moves behind the spray looks like spray.",
         alter=walk_through, good_words="nobody in the picture", bad_words="someone walks by behind"),
    Pair("scale", "Ten pixels a millimetre or more",
         "10 px/mm at the exit, 20 for clear films; 120 px from near to far station",
         "Go nearer or take a longer lens until the spray just fits, then see that it still does at the highest pressure.",
         "The edge is found to a fraction of a pixel: the same fraction of a small picture is a larger angle.",
         bad=dict(px_per_mm=2.6, exit_x_px=320.0), good_words="11 px/mm", bad_words="2.6 px/mm"),
]
CARD = Pair("card", "Film the card before each clip",
            "the element's card (`conebook calibrate target --element A07`), flat to the camera, a third of the picture or more",
            "Hold it still where the spray will be, for a second, in focus, no glare. Then `conebook sheet` knows whose clip "
            "follows.",
            "A card that cannot be read leaves the element blank: never guessed, yours to fill in.",
            good_words="large, flat, sharp", bad_words="far off, slanting, blurred")


def measured(pair, side, seed, options, folder):
    """Renders one clip and measures it: result, truth, where the clip lies."""
    place = folder / f"{pair.key if side == 'bad' or pair.good else 'all'}_{side}_{seed}"
    if (place / "result.json").is_file():  # many pairs share their good clips
        return json.loads((place / "result.json").read_text()), json.loads((place / "truth.json").read_text()), place
    settings = dict(GOOD, **pair.good) if side == "good" else dict(GOOD, **dict(pair.good, **pair.bad))
    words = [options.renderer, "--seed", seed, "--out", place, "--truth-frames", "60"]
    subprocess.run([str(w) for w in words] + ["--set"] + [f"{k}={v}" for k, v in settings.items()], check=True)
    result, clip = place / "result.json", place / "clip.mp4"
    if side == "bad" and pair.alter:
        frames = pair.alter(read_frames(clip))
        clip = place / "clip"
        clip.mkdir()
        for k, frame in enumerate(frames):
            cv2.imwrite(str(clip / f"{k:04d}.png"), frame)
        rig = (place / "rig.toml").read_text()
        if "\nfps" not in rig:
            (place / "rig.toml").write_text(rig.replace("[camera]\n", "[camera]\nfps = 30.0\n"))
    done = subprocess.run([options.program, "measure", str(clip), "--rig", str(place / "rig.toml"), "--log",
                           str(place / "log.csv"), "--json", str(result), "--quiet"], capture_output=True, text=True)
    if done.returncode not in (0, 3):
        sys.exit(f"filming_guide: {pair.key}, {side}: conebook ended with {done.returncode}: {done.stderr.strip()}")
    return json.loads(result.read_text()), json.loads((place / "truth.json").read_text()), place


def rms(values):
    return math.sqrt(math.fsum(v * v for v in values) / len(values)) if values else None


def said(clips):
    """What came of the clips of one side: cells of the table, and figures to judge by."""
    codes, refused, u, off, breakup_u, breakup_off, bounds = {}, 0, [], [], [], [], []
    for result, truth, _ in clips:
        for code in {f["code"] for f in result["flags"] if f["severity"] != "info"}:
            codes[code] = codes.get(code, 0) + 1
        refused += result["verdict"] == "rejected"
        if not result["points"] or not truth["points"]:
            continue
        point, true = result["points"][0], truth["points"][0]
        if point["half_angle_deg"] and true["boundary"]:
            # No farther than the renderer's own far station, where its boundary is sure to be the sheet's.
            near_mm, far_mm = result["stations_mm"]
            angles = truths.angles(true["boundary"], near_mm, min(far_mm, truth["stations"]["far_mm"]))
            if angles["mean"] is not None:
                off.append(point["half_angle_deg"]["mean"]["value"] - angles["mean"])
                u.append(point["half_angle_deg"]["mean"]["u"])
        b = point["breakup_mm"]
        if b and "value" in b:
            breakup_off.append(100.0 * (b["value"] / true["breakup_mm"] - 1.0))
            breakup_u.append(100.0 * b["u"] / b["value"])
        elif b:
            bounds.append(b["lower_bound"] > true["breakup_mm"])
    n = len(clips)
    of = lambda count: "" if count == n else f" ({count} of {n} clips)"
    angle = f"off {rms(off):.2f} deg, u {rms(u):.2f}{of(len(off))}" if off else "not given"
    breakup = f"off {rms(breakup_off):.1f} %, u {rms(breakup_u):.1f} %{of(len(breakup_off))}" if breakup_off else "not given"
    if bounds:
        breakup += f"; a lower bound on {len(bounds)}, too high on {sum(bounds)}"
    words = ", ".join(f"[`{c}`](../../src/report/gallery/README.md#{c}) {k}" for c, k in sorted(codes.items())) or "nothing"
    return {"codes": set(codes), "refused": refused, "found": len(off), "u": rms(u), "off": rms(off),
            "breakup_found": len(breakup_off), "breakup_off": rms(breakup_off),
            "rows": [("half angle", angle), ("breakup length", breakup), (f"refused, of {n} clips", str(refused)),
                     ("warned or refused by", words)]}


def costs(good, bad):
    """Whether the fault shows in what the program said or in what it got wrong, and the good clips are good."""
    if good["refused"] or not good["found"]:
        return False
    worse = lambda key, factor: bad[key] is None or bad[key] > factor * good[key]
    return bool(bad["codes"] - good["codes"]) or bad["breakup_found"] < good["breakup_found"] or worse("u", 1.3) or worse(
        "off", 1.5) or worse("breakup_off", 1.5)


def caption(picture, text, colour):
    cv2.rectangle(picture, (0, picture.shape[0] - 24), (picture.shape[1], picture.shape[0]), (255, 255, 255), -1)
    cv2.putText(picture, text, (6, picture.shape[0] - 7), cv2.FONT_HERSHEY_SIMPLEX, 0.46, colour, 1, cv2.LINE_AA)
    return picture


def side_by_side(left, right, pair):
    def shrunk(frame):
        high = round(WIDE * frame.shape[0] / frame.shape[1])
        return cv2.copyMakeBorder(cv2.resize(frame, (WIDE, high), interpolation=cv2.INTER_AREA), 0, 24, 0, 0,
                                  cv2.BORDER_CONSTANT, value=(255, 255, 255))
    parts = [caption(shrunk(left), "GOOD  " + pair.good_words, (115, 110, 0)),
             caption(shrunk(right), "BAD   " + pair.bad_words, (0, 74, 200))]
    return np.hstack([parts[0], np.full((parts[0].shape[0], GAP, 3), 255, np.uint8), parts[1]])


def filmed(pair, options, folder):
    good, bad = ([measured(pair, side, seed, options, folder) for seed in SEEDS] for side in ("good", "bad"))
    place = 0.0 if pair.key == "start" else 0.6 if pair.alter else 0.7
    frames = [read_frames(next(p for p in (clips[0][2] / "clip", clips[0][2] / "clip.mp4") if p.exists()))
              for clips in (good, bad)]
    a, b = said(good), said(bad)
    rows = [(name, left, right) for (name, left), (_, right) in zip(a["rows"], b["rows"])]
    return side_by_side(*(f[min(len(f) - 1, int(place * len(f)))] for f in frames), pair), rows, costs(a, b)


def carded(options, folder):
    """The card as it should be, and small, slanting and blurred; both put to the reader."""
    subprocess.run([options.program, "calibrate", "target", "--element", "A07", "--out", "card.svg"], cwd=folder, check=True,
                   capture_output=True)
    subprocess.run(["rsvg-convert", "-d", "200", "-p", "200", "card.svg", "-o", "card.png"], cwd=folder, check=True)
    page = cv2.imread(str(folder / "card.png"))
    ink = np.argwhere(page.min(axis=2) < 128)
    (y0, x0), (y1, x1) = ink.min(axis=0), ink.max(axis=0)
    card = page[max(0, y0 - 20):y1 + 20, max(0, x0 - 20):x1 + 20]
    high, wide = card.shape[:2]

    def scene(corners, blur):
        back = np.full((480, 640, 3), 168, np.uint8)
        turn = cv2.getPerspectiveTransform(np.float32([(0, 0), (wide, 0), (wide, high), (0, high)]), np.float32(corners))
        put = cv2.warpPerspective(card, turn, (640, 480), flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.full((high, wide), 255, np.uint8), turn, (640, 480))
        back[mask > 127] = put[mask > 127]
        return cv2.GaussianBlur(back, (0, 0), blur)

    tall = 300.0 * high / wide
    pictures = [scene([(170, 120), (470, 120), (470, 120 + tall), (170, 120 + tall)], 0.8),
                scene([(300, 200), (360, 215), (352, 215 + 0.16 * tall), (296, 200 + 0.24 * tall)], 2.2)]
    read = []
    for name, picture in zip(("good", "bad"), pictures):
        cv2.imwrite(str(folder / f"card_{name}.png"), picture)
        done = subprocess.run([options.program, "calibrate", "target", "--read", f"card_{name}.png", "--json", "-", "--quiet"],
                              cwd=folder, capture_output=True, text=True)
        if done.returncode not in (0, 3):
            sys.exit(f"filming_guide: card: conebook ended with {done.returncode}: {done.stderr.strip()}")
        read.append(json.loads(done.stdout)["pictures"][0]["elements"])
    words = lambda ids: ", ".join(ids) or "none: the sheet's element stays blank"
    return side_by_side(*pictures, CARD), [("card read", words(read[0]), words(read[1]))], read[0] == ["A07"] and not read[1]


def section(pair, rows):
    text = f"## {pair.title}\n\n{pair.why} {pair.advice}\n\n![{pair.title}: left well, right badly done]({pair.key}.jpg)\n\n"
    text += f"| | good: {pair.good_words} | bad: {pair.bad_words} |\n|---|---|---|\n"
    return text + "".join(f"| {name} | {a} | {b} |\n" for name, a, b in rows)


def encoded(picture):
    for quality in range(82, 40, -6):
        data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
        if len(data) <= MOST_PICTURE:
            return data
    sys.exit("filming_guide: a picture does not get small enough")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", required=True, help="the conebook binary")
    parser.add_argument("--renderer", required=True, help="the conebook_render binary")
    parser.add_argument("--out", default=str(ROOT / "vision" / "filming"), help="folder of the guide")
    parser.add_argument("--only", nargs="+", default=[], metavar="KEY", help="these pairs; the page is left alone")
    options = parser.parse_args()
    options.program, options.renderer = (str(pathlib.Path(p).resolve()) for p in (options.program, options.renderer))
    cv2.setNumThreads(1)
    out = pathlib.Path(options.out)
    out.mkdir(parents=True, exist_ok=True)
    sections, free, total = [], [], 0
    everything = PAIRS + [CARD]
    with tempfile.TemporaryDirectory() as temporary:
        for pair in everything:
            if options.only and pair.key not in options.only:
                continue
            folder = pathlib.Path(temporary)
            picture, rows, worse = carded(options, folder) if pair is CARD else filmed(pair, options, folder)
            data = encoded(picture)
            (out / f"{pair.key}.jpg").write_bytes(data)
            total += len(data)
            sections.append(section(pair, rows))
            print(f"{len(data):7d}  {pair.key}.jpg", *(f"\n    {name}: {a} | {b}" for name, a, b in rows), flush=True)
            if not worse:
                free.append(pair.key)
    if free:
        sys.exit(f"filming_guide: the bad clip costs nothing, or the good one is not good: {', '.join(free)}; the page was left alone")
    if total > MOST_BYTES:
        sys.exit(f"filming_guide: {total} bytes of pictures, {MOST_BYTES} at most; the page was left alone")
    if not options.only:
        anchor = lambda title: "".join(c for c in title.lower().replace(" ", "-") if c.isalnum() or c == "-")
        table = "".join(f"| {p.title} | {p.setting} | [pair](#{anchor(p.title)}) |\n" for p in everything)
        (out / "README.md").write_text(HEAD + table + "\n" + "\n".join(sections))
    print(f"{total} bytes of pictures")


if __name__ == "__main__":
    main()
