#!/usr/bin/python3
"""Makes the gallery of flag codes: one rendered picture each, and the page that explains them.

    flag_gallery.py --program BUILD/conebook --renderer BUILD/tools/render/conebook_render [--out src/report/gallery]
                    [--only CODE ...]

For each code a small scenario is rendered or a log invented, `conebook measure` run on it, and its result searched for
that code; where it does not come, the script says what came instead and fails. Same build, same bytes. Needs what
tools/setup --study installs. --only tries some codes and leaves the page alone.
"""
import argparse
import json
import os
import pathlib
import subprocess
import sys
import tempfile

import cv2
import numpy as np

import flag_pictures as draw
from flag_bench import DENSITY, RIG, TWO_POINTS, Bench, NotRaised, StandLog, edited, made_log, steps
from flag_pictures import BLUE, ORANGE, PALE, RED, SKY, WHITE

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "house"))
import flag_codes  # noqa: E402  the one reader of codes in the sources

HEAD = """All pictures on this page are rendered or drawn, none is filmed; `tools/render/flag_gallery.py` makes them and this page.

# Flag codes

A flag is a remark that travels with a result: why a number is missing, doubtful, or rests on an assumption. Its code is
part of the result file's contract. `reject`: the clip or log cannot be measured. `warn`: look before you use the
number. `info`: for the record. For each code below, a small scenario was made that raises it, and `conebook measure`
run on it; figures in what the program says are from that run. Stand, element and logs are invented.

Marks: light blue bands are pressure points; the bar above a log is the clip, its blue part what was measured.

> Pressurised liquids and their jets can injure. Advice on this page is about measuring; local codes and licensed
> practice come first.

"""
GROUPS, ENTRIES = [], []


class Entry:
    def __init__(self, code, group, meaning, stand, make):
        self.code, self.group, self.meaning, self.stand, self.make = code, group, meaning, stand, make


def group(name):
    GROUPS.append(name)


def entry(code, meaning, stand=""):
    """make(bench) -> (run, picture). meaning and stand: what the program's own message and advice leave unsaid."""
    def keep(make):
        ENTRIES.append(Entry(code, GROUPS[-1], meaning, stand, make))
        return make
    return keep


def without_picture(code, meaning, why):
    ENTRIES.append(Entry(code, GROUPS[-1], meaning, why, None))


def one(b, **settings):
    """Footage, rig and log of the clip that nothing is wrong with, but for the settings."""
    clip = b.clip(**settings)
    return clip / "clip.mp4", b.rig_of(clip), StandLog.read(clip / "log.csv")


def measured(b, clip_rig_log, log=True, **changes):
    clip, rig, stand_log = clip_rig_log
    return b.measure(clip, edited(rig, **changes), stand_log if log else None)


def altered(b, change, log=True, rig_changes=None, **settings):
    """Every frame put through change(index, frame, first frame); the rig states the frame rate."""
    clip = b.clip(**settings)
    frames = b.frames_of(clip)
    folder = b.frame_folder([change(k, f, frames[0]) for k, f in enumerate(frames)])
    rig = edited(b.rig_of(clip), **{"camera": {"fps": 30.0}, **(rig_changes or {})})
    return b.measure(folder, rig, StandLog.read(clip / "log.csv") if log else None)


def late(run, part=0.7):
    frames = run.frames()
    return frames[min(len(frames) - 1, int(part * len(frames)))]


def spoilt(b, kind, notes=(), arrows=(), lines=(), rig_changes=None, **settings):
    """A clip that must be refused, and its frame with remarks."""
    run = measured(b, one(b, negative=kind, **settings), **(rig_changes or {}))
    return run, draw.frame(late(run), notes, arrows, lines)


def chart(run, **words):
    return draw.log_chart(run.log, run.log_spans(), **words)


def with_clip(run, **words):
    return chart(run, clip=run.clip_span(), used=run.used_spans(), **words)


def quantity(run, key, point=0):
    return run.points[point][key]


def stood(b, stand_log, **changes):
    """Flow alone: no clip."""
    return b.measure(None, edited(RIG, **changes), stand_log)


def mark(x, y, size=9):
    return [([(x - size, y), (x + size, y)], ORANGE, None), ([(x, y - size), (x, y + size)], ORANGE, None)]


# ---------------------------------------------------------------------------------------------------------------------
group("Footage: what the camera gave")


@entry("truncated", "Part of the file is missing or damaged. What decodes is measured; the rest may hold a pressure point that you miss.",
       "Keep the original on the camera until the copy has been measured.")
def _(b):
    clip, rig, log = one(b)
    whole = b.folder / "whole.mp4"
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", clip, "-c", "copy", "-movflags", "+faststart", whole], check=True)
    part = b.folder / "part.mp4"
    part.write_bytes(whole.read_bytes()[:int(0.62 * whole.stat().st_size)])
    run = b.measure(part, rig, log)
    got, want = run.result["footage"]["frames"], 50
    return run, draw.stack(draw.time_line([("the file says", [(0, want / 30, PALE, f"{want} frames")]),
                                           ("decodes", [(0, got / 30, SKY, f"{got} frames"), (got / 30, want / 30, None, "missing")])],
                                          want / 30, "the clip's frames"),
                           draw.sheet_of_frames([run.frames()[k] for k in (2, -1)], ["first", f"last: {got / 30:.2f} s", "nothing more"], 3, 1))


@entry("too_few_frames", "A few frames show no change from which liquid could be told from background.")
def _(b):
    clip, rig, _ = one(b)
    frames = b.frames_of(clip.parent)[20:22]
    run = b.measure(b.frame_folder(frames), edited(rig, camera={"fps": 30.0}))
    return run, draw.sheet_of_frames([cv2.cvtColor(f, cv2.COLOR_GRAY2BGR) for f in frames],
                                     ["frame 1", "frame 2", "?", "?", "?", "?"], 3, 4, "all the frames there are")


@entry("frame_rate_unknown", "A folder of frames has no clock. The half angle does not need one; times, the tie to the log and all frequencies do.")
def _(b):
    clip, rig, log = one(b)
    run = b.measure(b.frame_folder(b.frames_of(clip.parent)), rig, log)
    return run, draw.sheet_of_frames([run.frames()[k] for k in (6, 9, 12)], ["0006.png  t = ? s", "0009.png  t = ? s", "0012.png  t = ? s"], 3)


@entry("rate_doubtful", "The file itself says that it was filmed at one rate and plays at another (slow motion), or its header and its stamps differ. Angles do not mind; "
       "times, frequencies and the tie to the log do.")
def _(b):
    clip, rig, log = one(b)
    slow = b.folder / "slow.mp4"
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", clip, "-c", "copy", "-movflags", "use_metadata_tags", "-metadata", "com.android.capture.fps=240", slow],
                   check=True)
    run = b.measure(slow, rig, log)
    return run, draw.time_line([("plays in", [(0, 50 / 30, SKY, "1.67 s")]), ("filmed in", [(0, 50 / 240, ORANGE, None), (50 / 240, 50 / 120, WHITE, "0.21 s")])], 50 / 30, "50 frames")


@entry("pace_changes", "Frames lie at one distance in a part of the clip and at another in the rest: an editor's speed ramp, or a camera that changed its rate. "
       "How time ran before the lens cannot be told.", "Measure what the camera wrote, not what an editor exported.")
def _(b):
    run = measured(b, one(b, ramp=4))
    return run, draw.time_line([("by its stamps", [(0, 16 / 30, SKY, "17"), (16 / 30, 16 / 30 + 17 * 4 / 30, ORANGE, "17 frames"),
                                                   (16 / 30 + 17 * 4 / 30, 16 / 30 + 17 * 5 / 30, SKY, "16")])], 33 / 30 + 17 * 4 / 30, "the clip's frames")


@entry("frames_repeated", "A frame that shows a moving spray cannot be the one before again: a converter or editor put it there. Repeats are left out of everything that is counted. `info`: so few that a codec may have made them.",
       "Measure what the camera wrote, not what a messenger or editor made of it.")
def _(b):
    run = measured(b, one(b, repeat_every=4))
    return run, draw.sheet_of_frames([run.frames()[k] for k in (38, 39, 40, 41)], ["frame 39", "frame 40: the same", "frame 41", "frame 42"], 2)


@entry("no_linear_light", "A phone that films in high dynamic range bends brightness differently in every part of the picture. "
       "The boundary is a share of brightness, so it moves.", "On most phones: camera settings, video, HDR off.")
def _(b):
    clip, rig, log = one(b)
    hdr = b.folder / "hdr.mp4"
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", clip, "-c", "copy", "-bsf:v", "h264_metadata=transfer_characteristics=16", hdr], check=True)
    run = b.measure(hdr, rig, log)
    return run, draw.frame(run.overlay(), [(8, 300, "recorded as HDR (PQ):"), (8, 322, "code values are not light")])


@entry("no_spray_free_frames", "The clip does not show the spray begin, because it was on already or shows too faintly, so there is no picture of the bare "
       "background. It was continued from both sides, which is fine for an even backdrop and poor for a cluttered one.")
def _(b):
    run = measured(b, one(b, prespray=0))
    return run, draw.sheet_of_frames([run.frames()[k] for k in (0, 1, 2)], ["frame 1: spray", "frame 2", "frame 3"], 3,
                                     words="no frame shows the background alone")


@entry("no_spray", "Nothing changes below the exit: the valve stayed shut, or the rig points at the wrong place.",
       "A field so bright that it is clipped white hides clear liquid as well: dim it until the background is light grey.")
def _(b):
    return spoilt(b, "no_spray", [(176, 180, "nothing moves here")], [(241, 160, 241, 75)])


@entry("exit_not_found", "The rig does not say where the exit is, and the footage shows no place where a spray begins.")
def _(b):
    return spoilt(b, "no_spray", [(241, 190, "where does it begin?", "middle"), (241, 212, "exit_px not stated", "middle")],
                  rig_changes={"nozzle": {"exit_px": None}})


@entry("exit_found", "The exit was looked for in the footage, good to a few pixels. Breakup length and stations start there.",
       "Read the exit's pixel off a still, once per camera set-up, and put it into the rig.")
def _(b):
    run = measured(b, one(b), nozzle={"exit_px": None})
    x, y = json.loads(run.flag("exit_found")["message"].split("found at ")[1].removesuffix(" px"))
    return run, draw.frame(late(run), [(x + 14, y + 22, f"found at [{x:.0f}, {y:.0f}] px")], lines=mark(x, y),
                           crop=(121, 0, 361, 180))


@entry("no_cone", "Something moves, but it is not liquid that can be followed from the exit along two sides: a hand, a cable, a cloth, or a wrong exit_px.")
def _(b):
    return spoilt(b, "walker", [(20, 190, "moves, but does not"), (20, 212, "start at the exit")], [(215, 178, 305, 160)])


@entry("not_a_cone", "The liquid leaves as a jet, or as several with background between them. A swirl element does so when its inlets are blocked or the pressure is far too low. "
       "`reject` when the whole clip shows it, `warn` when a pressure point does.")
def _(b):
    return spoilt(b, "solid_jet", [(258, 200, "one jet, no cone")], [(330, 210, 252, 240)])


@entry("not_fully_developed", "With rising pressure a swirl element goes through stages: dribble, distorted pencil, onion, tulip, and at last the fully "
       "developed cone with straight sides. Below it surface tension bends the sheet inward, and an angle would depend on where it is read. "
       "Points at other pressures are measured all the same.")
def _(b):
    run = measured(b, one(b, stage="onion", onion_closes_mm=22, half_angle_deg=42))
    return run, draw.frame(late(run), [(306, 120, "closes again:"), (306, 142, "an onion, no cone")], [(302, 150, 262, 205)])


@entry("stage_unclear", "The outline lies between two stages, or too little of it can be seen to tell them apart. `warn` where an angle is given: "
       "it belongs to sides that are not quite straight.")
def _(b):
    run = measured(b, one(b, stage="tulip", tulip_closes_part=8, half_angle_deg=38, wave_mm=0.1))
    return run, draw.frame(late(run), [(8, 345, "straight cone or tulip?")])


@entry("opening_unclear", "On the way up (or down) a pressure below full development lies above a fully developed one, so no single pressure drop "
       "opens the spray.")
def _(b):
    run = measured(b, one(b, pressures_bar="2.0/3.0/4.5", stage="fully_developed/tulip/fully_developed", hold_1_s=1.2, hold_2_s=1.2,
                          hold_3_s=1.2, frames=115))
    return run, with_clip(run, notes=[(0.5 * sum(run.log_spans()[1]), 2.2, "closed again?", "middle")])


@entry("barely_open", "The cone has barely formed. Its angle is measured; do not compare it with that of an open cone.")
def _(b):
    run = measured(b, one(b, half_angle_deg=7.5))
    return run, draw.frame(run.overlay())


@entry("overexposed", "In front light, most of the rim is as white as the camera can show; in back light the background is, and takes the rim with it: "
       "where the edge lies cannot be told.",
       "Lock the exposure before the valve opens, on the lit spray and not on the dark room.")
def _(b):
    run = measured(b, one(b, light="frontlit", lost_side=0, limb_depth=1.2, gain=6))
    return run, draw.frame(late(run), [(250, 345, "white: full scale")], [(330, 325, 342, 200)])


@entry("overexposed_in_part", "Some of the rim is at full scale, or in back light the background along it: there, where the edge lies is told less well. "
       "A background that is white far from the spray does no harm.")
def _(b):
    run = measured(b, one(b, light="frontlit", lost_side=0, limb_depth=1.2, gain=2.6))
    return run, draw.frame(run.overlay())


@entry("defocused", "The nozzle's own edges are smeared over many pixels, and the spray's with them.")
def _(b):
    return spoilt(b, "defocused", [(300, 60, "edges of the body"), (300, 82, "should be sharp")], [(296, 60, 262, 36)])


@entry("soft_focus", "Nearly sharp: edges, the end of the sheet and drops are smeared over some pixels.")
def _(b):
    run = measured(b, one(b, defocus_px=3.5))
    return run, draw.frame(late(run), [(292, 60, "edge too wide")], [(288, 60, 260, 34)], crop=(101, 0, 381, 210))


@entry("picture_moves", "Zoom, stabilisation and breathing focus move the picture after the lens: what stands still in front of the camera grows, shrinks or turns in it. "
       "Frames are put back to where the clip's beginning shows the scene. `info` where that went well, `warn` where the scene was lost on the way.",
       "Where no edge but the nozzle's is in view, a small zoom cannot be seen: stand something straight into the background, beside the spray.")
def _(b):
    run = measured(b, one(b, holder=13, zoom=0.12, zoom_from=0.3, zoom_to=0.9))
    frames = run.frames()
    pair = [cv2.line(frames[k].copy(), (10, 46), (470, 46), (0, 120, 230), 1) for k in (0, -1)]
    return run, draw.sheet_of_frames(pair, ["first frame", "last frame"], 2, words="line: the exit's row in the first frame")


@entry("nozzle_moves", "The nozzle's edges do not stand where they stood before the spray, while the rest of the picture does: thrust pushes it aside. "
       "Or drops on a window hold the rest of the picture while the camera shakes.")
def _(b):
    run = measured(b, one(b, step_x_px=4, step_y_px=0))
    frames = run.frames()
    pair = [cv2.line(frames[k].copy(), (241, 4), (241, 90), (0, 120, 230), 1)[:180, 121:361] for k in (2, -1)]
    return run, draw.sheet_of_frames(pair, ["before", "spraying"], 2, words="the line stands still")


@entry("light_bands", "A lamp on the mains flickers while the sensor is read line by line, so bands run through the picture. `info`: taken out by the light beside the "
       "spray. `warn`: front light, where that cannot be done.", "LED lamps of battery torches do not flicker.")
def _(b):
    run = measured(b, one(b, field=0.55, flicker=0.3, flicker_hz=100, line_time_us=55))
    return run, draw.sheet_of_frames([run.frames()[k] for k in (1, 30)], ["before the spray", "with it"], 2)


without_picture("lamp_comes_on", "The camera ran before its lamp did: the light of the whole picture rose at least fivefold from one of the first frames on. Those frames are no spray-free background.",
                "the frames it speaks of are black.")


@entry("window_wet", "Drops on a window hold still while the spray's edge flutters, and where one covers the edge it would be taken for liquid of the spray. "
       "These rows are left out; `warn` where they are many.")
def _(b):
    run = measured(b, one(b, edge_drops=5, edge_drop_px=9))
    return run, draw.frame(run.overlay())


@entry("splash_left_out", "Foam on a tray or floor flickers from side to side. In a row of drops it would pass for drops, or for the end of the sheet, so nothing "
       "is read from the first row that changes beside the cone as much as in it.")
def _(b):
    foam = np.random.default_rng(5)

    def on_tray(k, frame, first):
        out = frame.copy()
        out[-70:] = 90 if k < 8 else foam.integers(20, 200, out[-70:].shape)
        return out

    run = altered(b, on_tray, half_angle_deg=24.0)
    return run, draw.frame(run.overlay())


@entry("camera_inconsistent", "Focal length and distance give one scale, the rig states another. Both cannot be right; the stated one was used. "
       "The bars are 10 mm by either.")
def _(b):
    run = measured(b, one(b), camera={"focal_px": 2000.0})
    stated, other = run.rig["scale"]["px_per_mm"], 2000.0 / run.rig["camera"]["distance_mm"]
    lines, notes = [], []
    for y, scale, words in ((296, stated, "10 mm by px_per_mm"), (340, other, "10 mm by focal_px / distance_mm")):
        lines += [([(20, y), (20 + 10 * scale, y)], ORANGE, None)]
        lines += [([(x, y - 6), (x, y + 6)], ORANGE, None) for x in (20, 20 + 10 * scale)]
        notes.append((24, y - 10, words))
    return run, draw.frame(late(run), notes, lines=lines)


@entry("lens_scaled", "The lens file is of pictures of the same shape and another size. Both are taken to show the same field, which a camera that "
       "crops in one of the modes does not.")
def _(b):
    lens = b.folder / "lens_of_another_size.toml"
    lens.write_text("[lens]\nwidth_px = 960\nheight_px = 720\nfx_px = 6888.0\nfy_px = 6888.0\ncx_px = 479.5\ncy_px = 359.5\n")
    run = measured(b, one(b), camera={"lens": str(lens)})
    return run, draw.frame(run.overlay(), [(14, 318, "this clip: 480 x 360 px"), (14, 342, "the lens file: 960 x 720 px")])


@entry("known_cone_off", "Cones or triangles of known half angle, filmed with this rig, were read wrong by more than chance: something in the rig "
       "is not as stated.")
def _(b):
    checks = b.folder / "cone_checks.toml"
    checks.write_text('[[check]]\ndate = "2031-05-04"\nshape = "cone"\nhalf_angle_deg = 30.0\nu_half_angle_deg = 0.05\n'
                      'measured_deg = 30.62\nu_measured_deg = 0.04\n')
    run = measured(b, one(b), camera={"cone_checks": str(checks)})
    rows = [("known", 30.0, 0.05), ("read", 30.62, 0.04)]
    return run, draw.bars(rows, "half angle, degrees", "a cone of known angle, filmed with this rig", (1,), 2)


@entry("no_scale", "Without a scale, angles only: lengths cannot be given, and stations count in exit diameters.",
       "Film a ruler or a pin of known size in the plane of the exit once per set-up.")
def _(b):
    run = measured(b, one(b), scale={"px_per_mm": None})
    return run, draw.frame(run.overlay(), [(14, 340, "mm = ? px")])


# ---------------------------------------------------------------------------------------------------------------------
group("Spray: what the picture supports")


@entry("cut_off", "One side of the spray leaves the picture before the far station: its angle would be a guess. "
       "Also raised where less than 24 rows of picture lie below the exit.")
def _(b):
    run = measured(b, one(b, negative="cut_off"))
    right = "right side" in run.flag("cut_off")["message"]
    edge = 476 if right else 4
    return run, draw.frame(late(run), [(edge + (-16 if right else 16), 250, "cut off here", "right" if right else "left")],
                           [(edge + (-60 if right else 60), 235, edge + (-6 if right else 6), 120)],
                           [([(edge, 4), (edge, 356)], ORANGE, 10)])


@entry("far_station_moved", "A side leaves the picture before the far station; the line was fitted down to where both sides still show. "
       "`warn` when the rig states far_mm, else `info`.")
def _(b):
    run = measured(b, one(b, exit_x_px=345, stations_written=0), stations={"near_mm": 2.5, "far_mm": 30.0})
    return run, draw.frame(run.overlay())


@entry("stations_too_close", "A line through a handful of rows has a slope that means little.")
def _(b):
    run = measured(b, one(b), stations={"near_mm": 12.0, "far_mm": 13.8})
    return run, draw.frame(run.overlay())


def behind_a_cloth(frame, first, lowest_mm=9.0):
    """Below so many mm from the exit the frame shows the background alone."""
    hidden = frame.copy()
    hidden[int(46 + lowest_mm * 8.2):] = first[int(46 + lowest_mm * 8.2):]
    return hidden


FAR_DOWN = {"sync": {"log_minus_video_s": 1.363}, "stations": {"near_mm": 10.0, "far_mm": 14.0}}


def six_frames(run, point):
    at = int(run.points[point]["t0_s"] * 30) + 1
    return draw.sheet_of_frames([run.frames()[k] for k in range(at, at + 6)], [f"{k / 30:.2f} s" for k in range(at, at + 6)], 3,
                                words=f"point {point + 1}, six frames in a row")


@entry("angle_not_found", "Between the stations, too few rows show the spray's edge on both sides. Here, during the second point, something the colour "
       "of the background hung before the rows between them.", "Look at the clip before the next test, and keep the view free down to the far station.")
def _(b):
    run = altered(b, lambda k, f, first: f if k < 44 else behind_a_cloth(f, first), rig_changes=FAR_DOWN, **TWO_POINTS)
    return run, six_frames(run, run.flag("angle_not_found")["point"])


@entry("edges_seldom_found", "Both edges show in few frames only. There is an angle, but it speaks for those frames alone: here a cloth flapped before "
       "the rows between the stations.", "Keep the view free down to the far station.")
def _(b):
    run = altered(b, lambda k, f, first: f if k < 44 or (k - 44) % 3 == 0 else behind_a_cloth(f, first), rig_changes=FAR_DOWN, **TWO_POINTS)
    return run, six_frames(run, run.flag("edges_seldom_found")["point"])


@entry("short_record", "Frames that follow each other fast show the same wave again and again: a hundred of them may be worth ten. How much the angle scatters, and so its u, "
       "is then known poorly. `warn` below five correlation times, where that scatter makes most of u.")
def _(b):
    run = measured(b, one(b, pulsation_deg=1.2, pulsation_hz=1.2))
    frames = run.frames()
    return run, draw.sheet_of_frames([frames[k] for k in (24, 27, 30, 33)], [f"{k / 30:.2f} s" for k in (24, 27, 30, 33)], 2, words="slow against the clip")


@entry("edges_unsteady", "The half angle swings by degrees from frame to frame. The mean may still be right; the spray is not steady, or something else was followed.")
def _(b):
    run = measured(b, one(b, pulsation_deg=6, pulsation_hz=3))
    frames = run.frames()
    wide = lambda f: int((np.abs(f[150].astype(int) - frames[0][150].astype(int)).max(axis=1) > 40).sum())
    order = sorted(range(20, len(frames)), key=lambda k: (wide(frames[k]), k))
    pair = [order[2], order[-3]]
    return run, draw.sheet_of_frames([frames[k] for k in pair], [f"{k / 30:.2f} s: {w}" for k, w in zip(pair, ("narrow", "wide"))], 2)


@entry("sides_not_straight", "What was followed from the exit bends, to and fro or all the way, as no cone's side does: the line through it means little. Or a third of "
       "a side's rows lie off the line of the others: a rim that the light misses, say. Without an angle where it bends too far for any line. Here water ran down the window during the second point.",
       "Wipe the window, or shield it; light both rims alike.")
def _(b):
    y, x = np.mgrid[0:360, 0:480].astype(np.float32)
    shift = 9.0 * np.sin(2.0 * np.pi * np.clip((y - 60.0) / 45.0, 0.0, 20.0)) * np.clip((y - 60.0) / 40.0, 0.0, 1.0)
    bent = lambda f: cv2.remap(f, (x - shift).astype(np.float32), y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    run = altered(b, lambda k, f, first: f if k < 44 else bent(f), **TWO_POINTS)
    return run, draw.frame(late(run, 0.8), [(330, 110, "not straight")], [(326, 112, 298, 128)])


def pressed(frame, first, side=0.66, down_to=112):
    """Near the exit the spray's right half as if its outer third were not there: drawn nearer to the axis."""
    y, x = np.mgrid[0:360, 0:480].astype(np.float32)
    out = np.where((x > 241) & (y < down_to), 241 + (x - 241) / side, x).astype(np.float32)
    change = cv2.remap(frame.astype(np.float32) - first, out, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.clip(first + change, 0, 255).astype(np.uint8)


@entry("rim_lost", "Light does not reach a rim near the exit, and something within the spray, a lamp mirrored in the sheet, was followed until the rim shows. "
       "The line is that of the rows on the rim; `warn` from half of a side's rows on. Here the right half was drawn narrower near the exit.")
def _(b):
    run = altered(b, lambda k, f, first: pressed(f, first))
    return run, draw.frame(run.overlay(), [(330, 80, "inside of the rim")], [(326, 82, 276, 92)])


@entry("wide_origin", "The fitted sides, carried straight back, are far wider at the exit than the exit is: they come from upstream of it. Breakup length and "
       "stations count from the exit and are short by as much. Here exit_px was read off 4 mm too low.")
def _(b):
    run = measured(b, one(b), nozzle={"exit_px": [241.0, 79.0]})
    return run, draw.frame(late(run), [(256, 70, "exit as stated"), (120, 40, "sides come from here")], [(238, 44, 241, 47)],
                           lines=mark(241, 79), crop=(121, 0, 361, 180))


@entry("narrow_origin", "The fitted sides, carried straight back, have met before they reach the exit: the spray begins downstream of it. Breakup length and stations "
       "count from the exit and are long by as much. Here exit_px was read off 3 mm too high.")
def _(b):
    run = measured(b, one(b), nozzle={"exit_px": [241.0, 22.0]})
    return run, draw.frame(late(run), [(256, 26, "exit as stated")], lines=mark(241, 22), crop=(121, 0, 361, 180))


@entry("reference_level_moved", "The rim is much fainter, or darker, over the whole clip than in its first moments, from which the first level was taken. "
       "The final level was used; edges were kept for it only just. Here mist settled on the window.", "Keep spray and mist off the window; let the camera settle.")
def _(b):
    clip = b.clip(**TWO_POINTS)
    frames = b.frames_of(clip)
    first = frames[0].astype(np.float32)
    shown = [f if k < 80 else np.clip(first + 0.3 * (f - first), 0, 255).astype(np.uint8) for k, f in enumerate(frames + 4 * frames[50:])]
    run = b.measure(b.frame_folder(shown), edited(b.rig_of(clip), camera={"fps": 30.0}))
    return run, draw.sheet_of_frames([run.frames()[k] for k in (60, 150)], [f"{60 / 30:.0f} s: strong rim", f"{150 / 30:.0f} s: faint rim"], 2)


@entry("breakup_beyond_view", "The sheet is still whole where the picture ends: there is a lower bound and no length.")
def _(b):
    run = measured(b, one(b, breakup_in_view=0, breakup_mm=45))
    return run, draw.frame(run.overlay(0.85), [(241, 330, "still a sheet at the picture's edge", "middle")], [(241, 315, 241, 352)])


@entry("breakup_not_found", "The readings of where the sheet ends contradict each other. Here it tears at very different distances, and the exposure smears the drops.")
def _(b):
    run = measured(b, one(b, exposure_s=3e-4, d32_um=600, breakup_scatter=0.5))
    return run, draw.frame(late(run), [(300, 120, "ends here?"), (310, 230, "or here?")], [(296, 118, 262, 118), (306, 228, 262, 228)])


@entry("sheet_not_modelled", "The angle of the sheet itself needs rows with both edges above the end of the sheet. Here the far station lies in the drops.",
       "Leave [stations] out, or set far_mm above the breakup.")
def _(b):
    run = measured(b, one(b), stations={"near_mm": 3.0, "far_mm": 30.0})
    return run, draw.frame(run.overlay())


@entry("no_frames", "A pressure point was named by hand at a time of which the clip holds no frame.")
def _(b):
    clip, rig, _ = one(b)
    run = b.measure(clip, rig, readings=["{t0_s = 0.6, t1_s = 1.2, pressure_bar = 4.0, flow_kg_s = 0.0105}",
                                         "{t0_s = 2.2, t1_s = 2.9, pressure_bar = 6.0, flow_kg_s = 0.0129}"])
    span = run.result["footage"]["duration_s"]
    return run, draw.time_line([("clip", [(0, span, SKY, f"{run.result['footage']['frames']} frames")]),
                                ("readings", [(0.6, 1.2, PALE, "4 bar"), (2.2, 2.9, None, "6 bar")])], 3.2, "a reading where there is no footage")


@entry("drops_view", "The rig says that the clip shows drops only, so there is no cone to give an angle or its swing.")
def _(b):
    run = measured(b, one(b, px_per_mm=16, exit_y_px=30, breakup_mm=9), spray={"shows": "drops"})
    return run, draw.frame(late(run), [(241, 335, "shows = \"drops\": no angle is asked for", "middle")])


@entry("drops_view_one_point", "A close-up of drops is measured as one point: of several steady pressures the longest was taken.")
def _(b):
    settings = dict(TWO_POINTS, hold_1_s=0.9, hold_2_s=1.5, px_per_mm=16, exit_y_px=30, breakup_mm=9)
    run = measured(b, one(b, **settings), spray={"shows": "drops"})
    return run, with_clip(run, clip_words="clip of drops", notes=[(2.0, 5.5, "only the longer one")])


@entry("drops_not_measured", "Drop sizes are measured in back light only: in a close-up of drops, or where a clip of the whole cone shows single drops below the sheet's end. The key is there, empty, so that readers of the result file need not care.")
def _(b):
    run = measured(b, one(b, light="frontlit"))
    return run, draw.frame(late(run), [(300, 345, "d32_um: null")], crop=(200, 180, 440, 360))


without_picture("drops_below_sheet_not_sized", "The clip shows the whole cone, and no single drops below the sheet's end that could be sized: they are too small in the picture, too few, or lie behind each other. The flag says how large a drop would have to be.",
                "most clips of a whole cone look so.")
without_picture("drops_below_sheet_partly", "Below the sheet's end some drops can be sized, but many are smaller than what can be: the numbers hold for the drops above the cut-off only.",
                "it looks like any other spray, only finer.")
without_picture("drops_need_back_light", "The clip is a close-up of drops in front light. A drop then shows reflections of the lamp, not its outline, and no size can be told from them.",
                "it is a matter of where the lamp stands.")
without_picture("drops_partly", "Many shadows in the close-up are smaller than what can be sized: the numbers hold for the drops above the cut-off only.",
                "a close-up of fine drops looks like any other, only smaller.")
without_picture("drops_not_resolvable", "Too few drops in the close-up are sharp and large enough to be sized; no size is given.",
                "there is nothing to see in such a picture.")
without_picture("few_drops", "The drops counted are too few for D32 to be known to 5 %. The interval says how well it is known.",
                "it is a number of drops, not a look.")
without_picture("one_large_drop", "One drop holds more than a twentieth of the volume of all: D32 and the upper percentiles hang on it.",
                "it is one drop among others.")
without_picture("pulsation_found", "The half angle swings at a rate of its own, by more than its scatter explains. A camera cannot tell a rate from its mirror images about the frame rate.",
                "it is seen in time, not in a picture.")
without_picture("grain_not_read", "No grain index is given for this point: too little of the spray below the end of its sheet, or of the air beside it, is in view, or its flicker is lost in noise.",
                "it is about what lies outside the picture.")
without_picture("evenness_not_read", "How evenly the drops are spread is not given for this point: the light comes from the front or the clip is tone-mapped, too little of the spray below its sheet or of the air on both sides is in view, or the drops hide hardly any light.",
                "it is about what lies outside the picture, or behind the spray.")
without_picture("sheet_waves_not_read", "The length of the sheet's waves is not given: its edges show no waves above their noise, or too few rows of both edges were found.",
                "a calm edge is what most pictures on this page show.")
without_picture("wave_speed_not_read", "The speed of the sheet's waves is not given: between two frames they come half a length or more, so that another speed would look the same, or the liquid's own speed does not allow what they seem to do.",
                "it is seen in time, not in a picture.")
without_picture("drop_speed_not_read", "Drops were sized, but their speed is not given: between two frames too many drops fit the place where one should be, or none is in view any longer.",
                "it is seen in time, not in a picture.")


@entry("no_pulsation", "No frequency and size of a swing of the half angle is given: none stands out from the scatter, or too few frames were read to look for one. `edges_unsteady` tells of large swings.")
def _(b):
    run = measured(b, one(b))
    frames = run.frames()
    return run, draw.sheet_of_frames([frames[k] for k in (24, 30, 36)], [f"{k / 30:.2f} s" for k in (24, 30, 36)], 3, words="pulsation: null")


@entry("not_measured", "A number is missing because another one is: no half angle, so none of the angles derived from it.")
def _(b):
    run = measured(b, one(b), stations={"near_mm": 12.0, "far_mm": 12.5})
    return run, draw.frame(late(run), [(14, 322, "no angle between the stations,"), (14, 345, "so no sheet or cone angle")],
                           [(100, 305, 176, 156)], [([(150, 46 + 12.0 * 8.2), (330, 46 + 12.0 * 8.2)], ORANGE, 6), ([(150, 46 + 12.5 * 8.2), (330, 46 + 12.5 * 8.2)], ORANGE, 6)])


without_picture("holder_not_separated", "Views of one element at several rotations do not tell the spray's own lean from that of the holder: each view's lean stands as it is.",
                "it belongs to several runs put together, not to one clip.")


without_picture("no_steady_spray", "Every frame of the steady spray came out of the decoder marked as damaged, so none may be measured. "
                "Film and copy again.", "a file so broken mostly fails in other ways first; no scenario made for this page raised it.")

# ---------------------------------------------------------------------------------------------------------------------
group("Log and pressure: what the stand wrote")


def first_rows(text, count=4, skip=40):
    lines = text.splitlines()
    return [lines[0].split(",")] + [line.split(",") for line in lines[skip:skip + count - 1]]


@entry("log_columns", "Which column was taken as what, in which unit.", "Check it once for every logger.")
def _(b):
    run = stood(b, made_log(steps(3.0)))
    return run, draw.table(first_rows(run.log.text(), skip=60), ["time, s", "pressure, bar", "flow, l/min"], words="read as")


@entry("log_columns_ignored", "Columns that are not asked for are left alone.")
def _(b):
    log = made_log(steps(3.0))
    lines = log.text().splitlines()
    text = "\n".join([lines[0] + ",valve"] + [line + (",1" if 40 <= k < 120 else ",0") for k, line in enumerate(lines[1:])]) + "\n"
    run = stood(b, text)
    return run, draw.table(first_rows(text, skip=60), ["time", "pressure", "flow", "not used"], faint=(3,), words="read as")


@entry("log_time_from_first_row", "The log has clock times. All log times in the result count from its first row.")
def _(b):
    log = made_log(steps(3.0))
    stamp = lambda t: f"2031-05-04T09:30:{5 + t:06.3f}"
    text = "time,pressure_bar,flow_lpm\n" + "".join(f"{stamp(t)},{p:.3f},{q:.4f}\n" for t, p, q in zip(log.time_s, log.pressure_bar, log.flow_l_min))
    run = stood(b, text)
    rows = [["in the log", "in the result"]] + [[stamp(log.time_s[k]), f"{log.time_s[k]:.3f} s"] for k in (0, 1, 60)]
    return run, draw.table(rows, words="log time")


def unit_missing(b, header, column):
    log = made_log(steps(3.0))
    text = log.text(header)
    run = stood(b, text)
    roles = ["", "", ""]
    roles[column] = "bar? psi? kPa?" if column == 1 else "l/min? g/s? kg/s?"
    return run, draw.table(first_rows(text, skip=60), roles, (column,), words="no unit in the column's name")


@entry("pressure_unit_assumed", "Nothing says the unit of the pressure: a wrong guess spoils flow area and Cd by the root of the factor, and the check against the rated pressure.")
def _(b):
    return unit_missing(b, ("time_s", "pressure", "flow_lpm"), 1)


@entry("flow_unit_assumed", "Nothing says the unit of the flow: a wrong guess spoils flow, flow area and Cd by its factor.")
def _(b):
    return unit_missing(b, ("time_s", "pressure_bar", "flow"), 2)


@entry("above_rated_pressure", "The stand was loaded above its rating. This flag stands first in every output.",
       "A number is never worth a burst hose. Local codes and licensed practice decide what happens next.")
def _(b):
    run = stood(b, made_log(steps(6.0, 9.5, 11.4)))
    return run, chart(run, limits=[(10.0, "rated 10 bar")])


@entry("rated_pressure_unknown", "The rig does not state the rated pressure, so nothing checks that it was kept.")
def _(b):
    run = stood(b, made_log(steps(6.0, 9.5)), stand={"rated_bar": None})
    return run, chart(run, limits=[(11.4, "rated: ? bar")])


without_picture("flammable_mist", "The liquid is flammable, and its spray an explosive mist.",
                "a caution, not a measurement.")


without_picture("gas_over_liquid", "The liquid stands under gas, which stores energy.",
                "a caution, not a measurement.")


@entry("pressure_maybe_absolute", "With the valve shut the log shows the atmosphere. If the sensor is absolute, every drop is one bar too large, and Cd too small.")
def _(b):
    log = made_log(steps(2.0, 3.5))
    log.pressure_bar = [p + 1.013 for p in log.pressure_bar]
    run = stood(b, log)
    return run, chart(run, notes=[(0.08, 1.35, "1 bar?")], highest=6.0)


@entry("ambient_assumed", "An absolute sensor needs the day's ambient pressure; a standard atmosphere was taken. Bars: what each source adds to u of the lowest drop.")
def _(b):
    log = made_log(steps(1.0, 2.0, 4.0))
    log.pressure_bar = [p + 1.013 for p in log.pressure_bar]
    run = stood(b, log, log={"pressure_kind": "absolute"})
    q = quantity(run, "pressure_bar")
    return run, draw.budget(q["budget"], q["u"], "bar", f"pressure drop {q['value']:.3f} bar", "ambient")


@entry("unsteady", "The pressure drifts or scatters within the point. Angle and flow are means over it.")
def _(b):
    level = steps(5.0, hold=4.0)
    run = stood(b, made_log(lambda t: level(t) * (1.0 - 0.017 * max(0.0, t - 0.8)), level.end_s))
    return run, chart(run, notes=[(2.2, 5.05, "sinks all the time")], lowest=4.0, highest=5.4)


without_picture("check_element_once", "A check element was flowed once on this day. First and last tell whether the stand moved.",
                "it belongs to a day, not to a run.")


without_picture("check_element_drifts", "First and last flow of the check element differ by more than their own scatter. What was measured in between is in doubt by as much.",
                "it belongs to a day, not to a run.")


without_picture("check_element_out_of_control", "The check element's flow area lies outside the control limits of its own record.",
                "it needs an archive of earlier days.")


without_picture("meter_off_bucket", "The meter and a bucket on a scale, one element on one day, differ by more than both claim: their normalised error E_n is beyond 1 (ISO/IEC 17043).",
                "it belongs to a day, not to a run.")


without_picture("pressure_pulsates", "The pressure swings with one frequency, as behind a pump. Means stand; steadiness, sheet and drops follow the swing.",
                "tests draw it; a pumped stand is what it takes.")


without_picture("cd_drifts", "Flow over the root of pressure changes within a point. The element does not; so gas comes out of solution, the line still fills, or dirt moves.",
                "the log alone shows it only once divided by the root of pressure.")


without_picture("temperature_drifts", "The liquid warms or cools over the points, and its viscosity with it.",
                "two temperatures say it all.")


@entry("steady_criterion", "What was called steady. Light blue: the stretches that pass; transients and the shut valve do not.")
def _(b):
    run = stood(b, made_log(steps(3.0, 4.5, 6.0)))
    return run, chart(run)


@entry("no_steady_pressure", "The pressure never rests, so there is no pressure point. `reject` for a log alone; with a clip `warn`: "
       "the spray is measured as one point without pressure.")
def _(b):
    ramp = lambda t: 0.0 if t < 0.8 else 1.6 * (t - 0.8) if t < 4.4 else 0.0
    run = stood(b, made_log(ramp, 5.2))
    return run, draw.log_chart(run.log, notes=[(0.9, 5.3, "no level is held")])


# ---------------------------------------------------------------------------------------------------------------------
without_picture("sweep", "The log was cut into bins of slowly falling pressure (`--sweep`), a point each; what they must fulfil and which lag of the meter was put back.",
                "it says how, nothing is wrong.")


without_picture("sweep_too_fast", "Parts of a blow-down fall too fast for the meter: the rate times its lag is above 0.3 %. They are left out.",
                "a slope that is too steep for one meter is not for another.")


without_picture("sweep_law_breaks", "Within a bin of a blow-down the flow leaves the root of pressure: a valve that moves, a line that fills, gas. The bin is left out.",
                "the log alone shows it only once divided by the root of pressure.")


without_picture("sweep_rises", "The pressure of a blow-down rises again while liquid flows. What follows is left out.",
                "a rise says it all.")


group("Log and clip together")


@entry("no_log", "No log and no readings: the spray is measured, flow and pressure are not.")
def _(b):
    run = measured(b, one(b), log=False)
    return run, draw.frame(run.overlay(), [(330, 345, "at how many bar?")])


@entry("no_clip", "A log alone: flow area and Cd are measured, the spray is not.")
def _(b):
    run = stood(b, made_log(steps(3.0, 4.5, 6.0)))
    return run, chart(run, clip=(0.0, run.log.time_s[-1]), clip_words="no clip")


@entry("sync_ambiguous", "The valve opened more than once in the log, and the clip shows one opening: the first was taken.")
def _(b):
    clip, rig, _ = one(b)
    before, after = made_log(steps(4.0, start=1.5, hold=1.7, close=1.0), seed=3), made_log(steps(4.0, start=1.0, hold=1.7, close=1.0), seed=2)
    join_s = before.time_s[-1] + 0.02
    run = b.measure(clip, rig, StandLog(before.time_s + [join_s + t for t in after.time_s], before.pressure_bar + after.pressure_bar,
                                        before.flow_l_min + after.flow_l_min))
    second = join_s + 1.0
    return run, with_clip(run, notes=[(1.0, 4.75, "this one?"), (second - 0.3, 4.75, "or this one?")], highest=5.6)


@entry("sync_assumed", "Neither clip nor log shows the valve opening, or only one does; there is one steady pressure, or both last about as long, so the tie "
       "was taken from that.")
def _(b):
    clip, rig, _ = one(b, prespray=0)
    level = steps(4.0, start=0.8, hold=2.6)
    run = b.measure(clip, rig, made_log(level))
    return run, with_clip(run, notes=[(1.0, 4.9, "taken to be at this pressure")], highest=5.8)


@entry("sync_unknown", "Nothing ties clip and log: the clip does not show the spray begin and the log holds several pressures. It is measured, without pressure.")
def _(b):
    clip, rig, _ = one(b, prespray=0)
    run = b.measure(clip, rig, made_log(steps(3.0, 4.0, 5.5)))
    return run, draw.log_chart(run.log, clip=(2.2, 2.2 + run.result["footage"]["duration_s"]), clip_words="clip: when?",
                               notes=[(0.95, 6.0, "which of these?")], highest=7.0)


without_picture("sync_by_lamp", "Clip and log are tied by a lamp in view that the log knows of (`[sync] lamp_column`); where it was seen and how many of its steps agree.",
                "it says how, nothing is wrong; the report shows lamp and log on one time axis.")


without_picture("lamp_not_found", "The rig names a column of a lamp, but nothing in view steps as it does, or in more than one way. Clip and log are tied by what else there is.",
                "a picture without a lamp shows nothing.")


without_picture("sync_by_clock", "The clocks of camera and log tell which of several rises the clip shows, or, where no rise is in view, when it was filmed, to a second or so.",
                "clocks show in no picture.")


@entry("not_in_log", "The log gives neither pressure nor flow for this stretch of the clip, mostly because the two could not be tied.")
def _(b):
    clip, rig, _ = one(b, prespray=0)
    run = b.measure(clip, rig, made_log(steps(3.0, 4.0, 5.5)))
    return run, draw.frame(run.overlay(), [(330, 345, "pressure_bar: null")])


@entry("no_point_in_clip", "By the stated tie, no steady pressure falls within the clip. It is measured as one point without pressure.")
def _(b):
    clip, rig, _ = one(b)
    run = b.measure(clip, edited(rig, sync={"log_minus_video_s": 0.2}), made_log(steps(3.0, 4.5, start=2.2)))
    span = (0.2, 0.2 + run.result["footage"]["duration_s"])
    return run, draw.log_chart(run.log, clip=span, notes=[(0.3, 2.4, "valve shut:"), (0.3, 1.9, "wrong offset?")])


@entry("flow_law_from_log", "The spray could not be tied to a pressure, but the log by itself still gives flow area and exponent.")
def _(b):
    clip, rig, _ = one(b)
    run = b.measure(clip, edited(rig, sync={"log_minus_video_s": 0.2}), made_log(steps(2.0, 3.5, 5.5, start=2.2)))
    levels = [np.mean([(p, q) for t, p, q in zip(run.log.time_s, run.log.pressure_bar, run.log.flow_g_s) if a < t < a + 1.0], axis=0)
              for a in (2.7, 4.3, 5.9)]
    area = run.result["flow_law"]["flow_area_mm2"]["value"]
    return run, draw.law([tuple(map(float, level)) for level in levels], area, DENSITY, f"flow area {area:.4f} mm2, from the log alone")


@entry("points_outside_clip", "The log holds more steady pressures than the clip shows. Those outside are not measured.")
def _(b):
    clip, rig, _ = one(b)
    run = b.measure(clip, rig, made_log(steps(4.0, 5.5, 7.0, hold=1.5)))
    return run, with_clip(run, notes=[(2.5, 6.2, "not filmed")])


# ---------------------------------------------------------------------------------------------------------------------
group("Flow")


@entry("no_flow_reading", "There is no flow for this point, so no flow area and no Cd.")
def _(b):
    log = made_log(steps(3.0, 4.5))
    log.flow_l_min = None
    run = stood(b, log.text(("time_s", "pressure_bar")), log={"flow": ""})
    run.log = log
    return run, draw.log_chart(log, run.log_spans(), flow=False, notes=[(0.05, 4.8, "no flow column")])


@entry("no_flow", "Pressure is on, and the meter shows nothing.")
def _(b):
    log = made_log(steps(3.0, 4.5))
    log.flow_l_min = [0.0 for _ in log.flow_l_min]
    run = stood(b, log)
    return run, chart(run, flow_notes=[(1.4, 0.35, "meter stands still")])


@entry("meter_lags", "The meter needs time to follow. Its approach is left out of the averages.")
def _(b):
    run = stood(b, made_log(steps(3.0, 5.0, hold=2.2), lag_s=0.3))
    return run, chart(run, flow_notes=[(1.25, 4.0, "follows late")])


@entry("no_pressure_drop", "Height, ambient pressure or zero error leave no drop across the element. Here the tap lies 2.5 m below the exit: the column of liquid takes it all.")
def _(b):
    run = stood(b, made_log(steps(0.2, hold=2.0), area_mm2=0.37), stand={"tap_above_exit_mm": -2500.0})
    return run, chart(run, limits=[(2.5 * DENSITY * 9.80665e-5, "2.5 m of water")], highest=0.36)


@entry("cd_above_one", "More flow than a frictionless nozzle of that area would pass: area, meter factor or pressure is wrong.")
def _(b):
    run = stood(b, made_log(steps(3.0, 4.5, 6.0)), nozzle={"exit_diameter_mm": 0.6, "u_exit_diameter_mm": 0.002})
    rows = [(f"{p['pressure_bar']['value']:.2f} bar", p["cd"]["value"], p["cd"]["u"]) for p in run.points]
    return run, draw.bars(rows, "Cd of the exit area", "exit_diameter_mm = 0.6", range(len(rows)), limit=(1.0, "cannot be more"))


@entry("exponent_needs_points", "Two pressures always lie on some power law; only a third can contradict it.")
def _(b):
    run = stood(b, made_log(steps(3.0, 5.0)))
    points = [(p["pressure_bar"]["value"], 1e3 * p["flow_kg_s"]["value"]) for p in run.points]
    area = run.result["flow_law"]["flow_area_mm2"]["value"]
    return run, draw.law(points, area, DENSITY, "two points: any power law passes through", "a third pressure?", 8.0)


@entry("exponent_off", "Flow does not go with the root of the pressure drop. Here the pressure sensor reads 0.4 bar too high.")
def _(b):
    log = made_log(steps(1.5, 3.0, 5.0, 8.0, hold=1.3))
    log.pressure_bar = [p + 0.4 for p in log.pressure_bar]
    run = stood(b, log)
    points = [(p["pressure_bar"]["value"], 1e3 * p["flow_kg_s"]["value"]) for p in run.points]
    fit = run.result["flow_law"]
    return run, draw.law(points, fit["flow_area_mm2"]["value"], DENSITY, "flow law", f"exponent {fit['exponent']['value']:.3f}, not 0.5")


@entry("flow_hysteresis", "At the same pressure the element passes another flow falling than rising. What both ways share (meter, liquid) cancels; "
       "repeatability is in u.")
def _(b):
    log = made_log(steps(2.0, 5.0, 8.0, 5.0, 2.0))
    down_s = 0.8 + 3 * 1.6  # from here on the pressure falls
    log.flow_l_min = [q * (1.03 if t > down_s else 1.0) for t, q in zip(log.time_s, log.flow_l_min)]
    run = stood(b, log)
    rows = [(f"{p['pressure_bar']['value']:.0f} bar, {p['direction']}", p["flow_area_mm2"]["value"], None) for p in run.points]
    return run, draw.bars(rows, "flow area, mm2", "up and down again", (3, 4), 4)


@entry("hysteresis_needs_both", "Only going up and coming down again tells whether the flow area depends on the way.")
def _(b):
    run = stood(b, made_log(steps(3.0, 4.5, 6.0)))
    return run, chart(run, notes=[(3.2, 6.6, "and down again?")], highest=8.0)


@entry("back_pressure_needed", "Into still air a sharp-edged hole soon cavitates, into an engine's chamber it does not: its flow there may be another. "
       "The number is (p1 - pv) / (p1 - p2), all absolute. A swirl element's exit has an air core; of it the inlets are looked at.")
def _(b):
    run = stood(b, made_log(steps(1.0, 3.0, 6.0)), element={"kind": "plain_orifice"})
    rows = [(f"{p['pressure_bar']['value']:.0f} bar", p["cavitation_number"]["value"], p["cavitation_number"]["u"]) for p in run.points]
    return run, draw.bars(rows, "cavitation number", "a plain hole into still air", (1, 2), 2, (1.71, "below: may cavitate"))


@entry("point_not_nominal", "The rig names the pressure drops to hold; this one is none of them within the tolerance.")
def _(b):
    run = stood(b, made_log(steps(3.0, 5.5, 8.0)), points={"nominal_bar": [3.0, 5.0, 8.0]})
    return run, chart(run, limits=[(5.0, "nominal: 5 bar")])


@entry("nominal_not_measured", "One of the pressure drops that the rig names was never held.")
def _(b):
    run = stood(b, made_log(steps(3.0, 5.0)), points={"nominal_bar": [3.0, 5.0, 8.0]})
    return run, chart(run, limits=[(8.0, "nominal: 8 bar")], highest=9.5)


without_picture("inlets_unknown", "The Reynolds number of the inlets needs their count and diameter.", "it is a matter of two lines in the rig.")


without_picture("no_inlets", "A plain orifice, and a plate as a whole, have no inlets that a Reynolds number could be referred to.",
                "there is nothing to see.")


without_picture("plate_misfit", "A plate's flow area is not the sum of its elements' on record. Less: manifold losses or blockage. More: a leak past a seal, or "
                "a bore that has opened. What plate and elements share (meter, sensor) cancels in u.",
                "it belongs to several runs put together, not to one log.")


without_picture("plate_element_unknown", "The rig names an element of the plate of which no flow area is on record; their sum cannot be made.",
                "it belongs to several runs put together, not to one log.")


without_picture("plate_needs_archive", "A plate is held against its elements' runs on record, and no archive was given.", "there is nothing to see.")


without_picture("plate_elements_unstated", "The rig of a plate does not name its elements (`[plate] elements`); its flow stands alone.", "it is a matter of one line in the rig.")


without_picture("several_circuits", "At this point several circuits of the element flowed, each at its own pressure: drop, flow area and Cd stand with each "
                "circuit, the flow is their sum.", "it is how an element with `[[circuit]]` in its rig works.")


without_picture("circuit_never_on", "A circuit that the rig names never flowed at a steady pressure while the others were steady or shut.",
                "its log shows a column of noughts, or no steady stretch.")


without_picture("collectors_miss_flow", "What the collectors caught is not what flowed: spray missed them or splashed out, or the table is of another pressure or element.",
                "it is a sum of weights.")


# ---------------------------------------------------------------------------------------------------------------------
group("Rig: what was not stated")


@entry("reference_area", "Cd depends on the area it is referred to. The flow area does not.")
def _(b):
    log = made_log(steps(3.0, 4.5, 6.0))
    run = stood(b, log)
    inlets = stood(b, log, element={"inlet_count": 4, "inlet_diameter_mm": 0.5}, stand={"area_kind": "inlets"})
    rows = [(words, r.result["flow_law"]["cd"]["value"], r.result["flow_law"]["cd"]["u"]) for words, r in (("on the exit", run), ("on the inlets", inlets))]
    return run, draw.bars(rows, "Cd", "one element, one log, two areas", (0,))


without_picture("bore_uncertain", "What is stated of the bore leaves a per cent or more of its area open: 0.02 mm on a bore of 1 mm is 4 %. Cd is no better than that; the flow area is.",
                "a budget line says it.")


@entry("line_loss_unknown", "The pressure is tapped ahead of the element. What hose, valve and fittings take is counted as if the element took it.")
def _(b):
    run = stood(b, made_log(steps(3.0, 4.5, 6.0)), stand={"pressure_tap": "tank"})
    canvas = draw.Canvas(210)
    canvas.text(8, 15, "sketch: pressure on its way, bar")
    axes = draw.Axes(canvas, (30, 26, draw.WIDTH - 12, 110), (0.0, 10.0), (0.0, 5.4))
    axes.frame(ticks=3)
    axes.curve([0.0, 2.5, 6.0, 6.3, 8.0, 9.0, 10.0], [4.5, 4.5, 4.1, 3.3, 3.0, 0.0, 0.0], BLUE, 1.8)
    canvas.line([(axes.x(0.2), axes.y(4.62)), (axes.x(9.2), axes.y(4.62))], RED, 1.3, 6)
    canvas.text(axes.x(9.2), axes.y(4.62) - 4, "as logged", RED, 0.85, "right")
    canvas.arrow(axes.x(7.4), axes.y(4.6), axes.x(7.4), axes.y(3.25))
    canvas.text(axes.x(7.6), axes.y(3.75), "loss: ?", RED, 0.95)
    y = 150
    canvas.rectangle(axes.x(0.1), y - 22, axes.x(2.3), y + 22, SKY)
    canvas.rectangle(axes.x(0.1), y - 22, axes.x(2.3), y + 22, draw.BLACK, False)
    canvas.rectangle(axes.x(2.3), y - 4, axes.x(8.1), y + 4, SKY)
    canvas.rectangle(axes.x(5.9), y - 9, axes.x(6.4), y + 9, draw.GREY)
    canvas.rectangle(axes.x(8.1), y - 10, axes.x(9.0), y + 10, draw.BLACK)
    for tip in (-14, 14):
        canvas.line([(axes.x(9.0), y), (axes.x(9.9), y + tip)], BLUE, 1.4)
    canvas.dot(axes.x(1.2), y - 27, RED, 4)
    for x, words in ((1.2, "tank"), (4.1, "line"), (6.15, "valve"), (8.6, "element")):
        canvas.text(axes.x(x), 192, words, size=0.9, anchor="middle")
    canvas.text(axes.x(1.5), y - 27, "tap", RED, 0.85)
    return run, canvas.picture()


without_picture("meter_out_of_range", "The meter was calibrated over other rates than this. A turbine's K falls off below its range.",
                "it needs a meter file; `conebook calibrate meter` makes one.")


without_picture("pressure_out_of_range", "The pressure sensor was calibrated over other pressures than this. Its line is continued.",
                "it needs a sensor file; `conebook calibrate pressure` makes one.")


without_picture("zero_from_rest", "What the pressure sensor reads before the valve opens is its zero, where the tap lies downstream of the valve. It is taken off, and its u is in the budget.",
                "two numbers from the head of the log say it all.")


without_picture("zero_unknown", "Nothing tells the pressure sensor's zero: no rest in the log, a tap upstream of the valve, or liquid that may stand on the tap.",
                "there is nothing to draw about a number that is not there.")


without_picture("calibration_expired", "The calibration of meter, sensor or line was good until a day before that of the test.",
                "it needs a calibration file with a last day (`--expires`).")


without_picture("viscosity_unknown", "The rig describes its liquid by a density of its own; a Reynolds number needs the viscosity, too.",
                "it is a matter of one line in the rig.")


without_picture("surface_tension_unknown", "The rig describes its liquid by a density of its own; a Weber number needs the surface tension, too.",
                "it is a matter of one line in the rig.")


without_picture("vapour_pressure_unknown", "The rig describes its liquid by a density of its own; the cavitation number needs the vapour pressure, too.",
                "it is a matter of one line in the rig.")


@entry("liquid_assumed", "Density comes from the liquid. Taken to be water; the same log with kerosene gives another flow area.")
def _(b):
    log = made_log(steps(3.0, 4.5, 6.0))
    run = stood(b, log, stand={"liquid": None})
    kerosene = stood(b, log, stand={"liquid": "kerosene"})
    rows = [(words, r.result["flow_law"]["flow_area_mm2"]["value"], r.result["flow_law"]["flow_area_mm2"]["u"])
            for words, r in (("water, assumed", run), ("if kerosene", kerosene))]
    return run, draw.bars(rows, "flow area, mm2", "one log, two liquids", (0,), 4)


@entry("temperature_assumed", "Density and viscosity change with temperature; 20 C was taken, with a wide u. Bars: what each source adds to u of the flow.")
def _(b):
    run = stood(b, made_log(steps(3.0, 4.5, 6.0)), stand={"temperature_c": None})
    q = quantity(run, "flow_kg_s")
    parts = [dict(part, u=1e3 * part["u"]) for part in q["budget"]]
    return run, draw.budget(parts, 1e3 * q["u"], "g/s", f"flow {1e3 * q['value']:.3f} g/s", "temperature", 4)


# ---------------------------------------------------------------------------------------------------------------------


def sentence(text):
    """Advice as the program printed it, begun with a capital and ended with a stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".") if text else ""


def page(raised, severities):
    """raised: {code: (flag, file name)}; None for a code without a picture."""
    order = {"reject": 0, "warn": 1, "info": 2}
    text = HEAD
    for name in GROUPS:
        links = [f"[{e.code}](#{e.code})" for e in ENTRIES if e.group == name]
        text += f"- {name}: {', '.join(links)}\n"
    for name in GROUPS:
        text += f"\n## {name}\n"
        for e in ENTRIES:
            if e.group != name:
                continue
            words = " or ".join(sorted(severities[e.code], key=order.get))
            text += f"\n### `{e.code}`\n\n**{words}**. {e.meaning}\n"
            if e.make is None:
                text += f"\n{flag_codes.WITHOUT}{e.stand}\n"
                continue
            flag, picture = raised[e.code]
            message = flag["message"].replace("|", "\\|").replace("<", "&lt;")
            text += f"\n![{e.code}: {e.meaning.split('. ')[0].rstrip('.')}]({picture})\n\n- The program says: \"{message}\"\n"
            advice = " ".join(s for s in (sentence(flag["advice"]), e.stand) if s)
            text += f"- On the stand: {advice or 'nothing to do.'}\n"
    return text


def encoded(picture):
    """PNG for drawings, which are mostly white; JPEG for frames."""
    if (picture == 255).all(axis=2).mean() > 0.4:
        return "png", cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()
    return "jpg", cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 84])[1].tobytes()


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", required=True, help="the conebook binary")
    parser.add_argument("--renderer", required=True, help="the conebook_render binary")
    parser.add_argument("--out", default=str(ROOT / flag_codes.GALLERY), help="folder of the gallery")
    parser.add_argument("--only", nargs="+", default=[], metavar="CODE", help="these codes; the page is left alone")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    os.environ["OPENCV_FFMPEG_LOGLEVEL"] = "-8"  # one clip is broken on purpose
    severities, unclear = flag_codes.codes_in(ROOT)
    listed = [e.code for e in ENTRIES]
    trouble = unclear + [f"{code}: no entry here" for code in sorted(set(severities) - set(listed))]
    trouble += [f"{code}: not in the sources" for code in sorted(set(listed) - set(severities))]
    trouble += [f"{code}: no such entry" for code in options.only if code not in listed]
    if trouble:
        sys.exit("flag_gallery: " + "\nflag_gallery: ".join(trouble))
    out = pathlib.Path(options.out)
    out.mkdir(parents=True, exist_ok=True)
    raised = {}
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(str(pathlib.Path(options.program).resolve()), str(pathlib.Path(options.renderer).resolve()), folder)
        for e in ENTRIES:
            if e.make is None or (options.only and e.code not in options.only):
                continue
            try:
                run, picture = e.make(bench)
                flag = run.flag(e.code)
                if flag is None:
                    raise NotRaised("did not come; what came: " + ", ".join(sorted({f["code"] for f in run.result["flags"]})))
                if flag["severity"] not in severities[e.code]:
                    raise NotRaised(f"came as {flag['severity']}, which the sources do not say")
            except Exception as problem:  # one line a code: all that fail, not the first only
                if not isinstance(problem, NotRaised) and options.only:
                    raise
                trouble.append(f"{e.code}: {problem}".splitlines()[0])
                print(f"FAILED  {trouble[-1]}", flush=True)
                continue
            kind, data = encoded(picture)
            for old in out.glob(f"{e.code}.*"):
                old.unlink()
            (out / f"{e.code}.{kind}").write_bytes(data)
            raised[e.code] = (flag, f"{e.code}.{kind}")
            print(f"{len(data):7d}  {e.code}.{kind}", flush=True)
    if trouble:
        sys.exit(f"flag_gallery: {len(trouble)} failed, the page was left alone")
    if not options.only:
        for path in out.iterdir():
            if path.name != "README.md" and path.name not in {name for _, name in raised.values()}:
                path.unlink()
        (out / "README.md").write_text(page(raised, severities))
    print(f"{sum(p.stat().st_size for p in out.iterdir())} bytes in all")


if __name__ == "__main__":
    main()
