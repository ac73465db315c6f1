#!/usr/bin/python3
"""Outside check of the renderer's silhouettes: the same smooth hyperboloid, ray-traced by POV-Ray.

    povray_check.py --renderer BUILD/tools/render/conebook_render [--povray /usr/bin/povray] [--keep DIR]

Each case sets camera distance, tilt, roll and the exit's place. The renderer draws one frame of the sheet with waves,
drops and noise off, as a film whose every wall takes the same small share of light, so that half of the step at the
limb lies on the silhouette; POV-Ray draws the same quadric white on black with anti-aliasing. Row by row the two edges
are compared. Prints a table; exit status 1 when a bound is broken: 0.10 px in the mean of a side, 0.25 px rms (the
renderer's patches are about a pixel), 0.02 degrees between the lines through the edges.
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

MEAN_PX, RMS_PX, ANGLE_DEG = 0.10, 0.25, 0.02
WIDTH, HEIGHT = 960, 720
WALL = 0.2

#        name                     angle  px/mm distance tilt roll  exit x, y      r0
CASES = [("facing, far",           30.0, 12.0, 800.0,   0.0, 0.0, (479.5, 90.0), 0.8),
         ("facing, near, offset",  40.0, 12.0, 120.0,   0.0, 0.0, (430.0, 60.0), 1.0),
         ("tilted towards",        35.0, 10.0, 200.0,  10.0, 0.0, (500.0, 80.0), 0.9),
         ("tilted away, rolled",   25.0, 14.0, 150.0,  -8.0, 5.0, (420.0, 70.0), 0.6),
         ("wide, tilted, rolled",  50.0,  8.0, 130.0,   6.0, -3.0, (520.0, 100.0), 1.2),
         ("narrow, near",          16.0, 20.0, 100.0,   5.0, 2.0, (470.0, 60.0), 0.5)]


def renderer_edges(program, case, folder):
    name, angle, scale, distance, tilt, roll, exit_px, r0 = case
    settings = dict(
        camera="highspeed", light="backlit", film="clear", codec="frames16", container="png", clean=1, prespray=0,
        width=WIDTH, height=HEIGHT, frames=1, half_angle_deg=angle, angle_rise_deg=0, px_per_mm=scale,
        distance_mm=distance, tilt_deg=tilt, axis_deg=roll, exit_x_px=exit_px[0], exit_y_px=exit_px[1], r0_mm=r0,
        exit_diameter_mm=2 * r0, lean_deg=0, breakup_mm=400, breakup_scatter=0, wave_mm=0, drops_per_mm=0,
        pulsation_deg=0, lens_corner=0, k1=0, k2=0, p1=0, p2=0, limb_depth=0, interior_depth=WALL, streak=0, glint=0,
        lost_side=0, blur_px=0.01, exposure_s=1e-7, field=0.5, field_slope=0, vignetting=0, structure=0,
        full_well=1e12, read_noise=0, flicker=0, exposure_drift=0, shake_px=0, haze=0, window_drops=0,
        holder=0, tip=1.5, pressures_bar="5", breakup_in_view=0)
    out = folder / "frame"
    command = [program, "--seed", "1", "--out", str(out), "--fast", "--set"]
    subprocess.run(command + [f"{k}={v}" for k, v in settings.items()], check=True)
    truth = json.loads((out / "truth.json").read_text())["true"]
    image = cv2.imread(str(out / "clip" / "frame_0000.png"), cv2.IMREAD_UNCHANGED).astype(float) / 65535.0
    depth = -np.log(np.clip(image / 0.5, 1e-6, None)) / (2.0 * WALL)
    return depth, truth


def povray_edges(povray, case, truth, folder):
    name, angle, scale, distance, tilt, roll, exit_px, r0 = case
    focal = scale * distance
    turn, lean = math.radians(roll), math.radians(tilt)
    # Camera frame x right, y down, z forwards; POV-Ray's y points up.
    ray = np.array([(exit_px[0] - (WIDTH - 1) / 2) / focal, (exit_px[1] - (HEIGHT - 1) / 2) / focal, 1.0])
    exit_mm = ray * distance
    axis = np.array([math.sin(turn) * math.cos(lean), math.cos(turn) * math.cos(lean), -math.sin(lean)])
    right = np.array([math.cos(turn), -math.sin(turn), 0.0])
    away = np.cross(right, axis)
    up = np.array([1.0, -1.0, 1.0])

    def vector(v):
        return ", ".join(f"{x:.12g}" for x in v * up)

    tan2 = math.tan(math.radians(angle)) ** 2
    scene = f"""#version 3.7;
global_settings {{ assumed_gamma 1.0 ambient_light rgb 1 }}
background {{ rgb 0 }}
camera {{ perspective location <0,0,0> direction <0,0,1> right <{WIDTH / focal:.12g},0,0> up <0,{HEIGHT / focal:.12g},0> }}
quadric {{ <1, {-tan2:.12g}, 1>, <0,0,0>, <0,0,0>, {-r0 * r0:.12g}
  clipped_by {{ box {{ <-1000,0,-1000>, <1000,{2.0 * HEIGHT / scale:.6g},1000> }} }}
  matrix <{vector(right)}, {vector(axis)}, {vector(away)}, {vector(exit_mm)}>
  pigment {{ rgb 1 }} finish {{ ambient 1 diffuse 0 }} }}
"""
    (folder / "scene.pov").write_text(scene)
    image = folder / "scene.png"
    subprocess.run([povray, f"+I{folder / 'scene.pov'}", f"+O{image}", f"+W{WIDTH}", f"+H{HEIGHT}", "+FN16", "-D", "-P",
                    "+A0.0", "+AM1", "+R7", "-J", "File_Gamma=1.0", "+WT1"],
                   check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    mask = cv2.imread(str(image), cv2.IMREAD_UNCHANGED).astype(float) / 65535.0
    return mask[:, :, 0] if mask.ndim == 3 else mask


def edge(row, from_column, step):
    """Outermost place where the row rises through one half, from the picture's border inwards."""
    column = 0 if step > 0 else len(row) - 1
    while 0 <= column + step < len(row):
        if row[column] < 0.5 <= row[column + step]:
            return column + step * (0.5 - row[column]) / (row[column + step] - row[column])
        column += step
    return None


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--renderer", required=True)
    parser.add_argument("--povray", default="/usr/bin/povray")
    parser.add_argument("--keep", help="folder for the pictures")
    options = parser.parse_args()
    if not pathlib.Path(options.povray).exists():
        sys.exit(f"povray_check: {options.povray} is not there; apt-get install povray")
    broken = 0
    print("Rendered sheet against the ray-traced quadric, px (outwards positive) and degrees")
    print(f"{'case':24} {'side':6} {'rows':>5} {'mean':>8} {'rms':>7} {'ray-traced':>11} {'renderer':>9} {'differ':>8}")
    with tempfile.TemporaryDirectory() as temporary:
        for index, case in enumerate(CASES):
            folder = pathlib.Path(options.keep or temporary) / str(index)
            folder.mkdir(parents=True, exist_ok=True)
            depth, truth = renderer_edges(options.renderer, case, folder)
            mask = povray_edges(options.povray, case, truth, folder)
            first = int(case[6][1] + 2.5 * case[2] * case[7])
            for side, step in (("right", -1), ("left", 1)):
                rows, mine, theirs = [], [], []
                for y in range(first, HEIGHT - 3):
                    a, b = edge(depth[y], 0, step), edge(mask[y], 0, step)
                    # Rows whose edge lies near the border of the picture end here.
                    if a is None or b is None or not 4 < b < WIDTH - 5:
                        continue
                    rows.append(y)
                    mine.append(a)
                    theirs.append(b)
                rows, mine, theirs = np.array(rows), np.array(mine), np.array(theirs)
                off = (mine - theirs) * (-step)
                angles = [math.degrees(math.atan(-step * np.polyfit(rows, x, 1)[0])) for x in (theirs, mine)]
                bad = (len(rows) < 100 or abs(off.mean()) > MEAN_PX or math.sqrt((off ** 2).mean()) > RMS_PX
                       or abs(angles[0] - angles[1]) > ANGLE_DEG)
                broken += bad
                print(f"{case[0]:24} {side:6} {len(rows):5d} {off.mean():8.3f} {math.sqrt((off ** 2).mean()):7.3f} "
                      f"{angles[0]:11.4f} {angles[1]:9.4f} {angles[1] - angles[0]:8.4f}{'  BROKEN' if bad else ''}")
    print(f"bounds: mean {MEAN_PX} px, rms {RMS_PX} px, angle {ANGLE_DEG} degrees: "
          f"{'kept' if broken == 0 else f'broken {broken} times'}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
