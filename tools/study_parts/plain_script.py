#!/usr/bin/python3
"""The yardstick: how a spray is commonly measured with thirty lines of script. Median background, absolute
difference, Otsu's threshold, largest connected component, outermost pixels of each row, a straight line through
them between two stations, mean over frames; the component's lower end is taken for the breakup. No perspective, no
uncertainty, no refusal beyond "no line found".

It is told what its user would know from looking at the clip: where the exit is, which frames come before the spray,
and which stretch of the clip belongs to which pressure.

    plain_script.py CLIP --exit 480 90 --px-per-mm 8.2 --near 2 --far 12 --stretch 0.5 2.0 [--stretch ...]
"""
import argparse
import json
import math
import pathlib
import subprocess

import cv2
import numpy as np


def read(clip, fps, white_level):
    """Grey 8-bit frames of a video or a folder, upright, with their times in seconds."""
    path = pathlib.Path(clip)
    if path.is_dir():
        for i, file in enumerate(sorted(path.iterdir())):
            image = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH)
            if image is None:
                continue
            if image.dtype == np.uint16:
                image = np.minimum(image.astype(np.float32) * (255.0 / white_level), 255.0).astype(np.uint8)
            yield i / (fps or 30.0), image
        return
    # Some OpenCV versions turn clips with a rotation tag the wrong way: asked of ffprobe and turned here.
    told = subprocess.run(["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries",
                           "stream_side_data=rotation", "-of", "csv=p=0", str(path)], capture_output=True, text=True)
    counter_clockwise = int(float(told.stdout.strip().strip(",") or 0))
    turn = {270: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180,
            90: cv2.ROTATE_90_COUNTERCLOCKWISE}.get(counter_clockwise % 360)
    video = cv2.VideoCapture(str(path))
    video.set(cv2.CAP_PROP_ORIENTATION_AUTO, 0)
    i = 0
    while True:
        time_s = video.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
        good, image = video.read()
        if not good:
            return
        image = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
        yield (i / fps if fps else time_s), (image if turn is None else cv2.rotate(image, turn))
        i += 1


def turned(image, exit_px, axis_deg):
    """The picture turned about the exit so that the spray points down, and where the exit then is."""
    x, y = exit_px
    for _ in range(round(axis_deg / 90.0) % 4):  # a quarter turn clockwise takes "right" to "down"
        x, y = image.shape[0] - 1 - y, x
        image = cv2.rotate(image, cv2.ROTATE_90_CLOCKWISE)
    rest = axis_deg - 90.0 * round(axis_deg / 90.0)
    if rest != 0.0:
        turn = cv2.getRotationMatrix2D((x, y), -rest, 1.0)
        image = cv2.warpAffine(image, turn, (image.shape[1], image.shape[0]), borderMode=cv2.BORDER_REPLICATE)
    return image, (x, y)


def measure(image, background, exit_px, px_per_mm, near_mm, far_mm):
    """Left and right half angle in degrees and the end of the connected region in mm; None without a line."""
    _, mask = cv2.threshold(cv2.absdiff(image, background), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    count, labels, sizes, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        return None
    spray = labels == 1 + int(np.argmax(sizes[1:, cv2.CC_STAT_AREA]))
    rows, left, right = [], [], []
    first = max(0, math.ceil(exit_px[1] + near_mm * px_per_mm))
    last = min(image.shape[0] - 1, math.floor(exit_px[1] + far_mm * px_per_mm))
    for row in range(first, last + 1):
        columns = np.flatnonzero(spray[row])
        if columns.size:
            rows.append(row)
            left.append(exit_px[0] - columns[0])
            right.append(columns[-1] - exit_px[0])
    if len(rows) < 10:
        return None
    end_px = int(np.flatnonzero(spray.any(axis=1))[-1]) - exit_px[1]
    return (math.degrees(math.atan(np.polyfit(rows, left, 1)[0])),
            math.degrees(math.atan(np.polyfit(rows, right, 1)[0])), end_px / px_per_mm)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("clip")
    parser.add_argument("--exit", type=float, nargs=2, required=True, metavar=("X", "Y"), help="px")
    parser.add_argument("--px-per-mm", type=float, required=True)
    parser.add_argument("--axis-deg", type=float, default=0.0, help="0: down, positive: to the right")
    parser.add_argument("--near", type=float, required=True, help="mm")
    parser.add_argument("--far", type=float, required=True, help="mm")
    parser.add_argument("--stretch", type=float, nargs=2, action="append", required=True, metavar=("FROM", "TO"),
                        help="s of the clip")
    parser.add_argument("--spray-from", type=float, help="s; frames before it are background; else all are")
    parser.add_argument("--fps", type=float, help="true capture rate; else the clip's own time stamps")
    parser.add_argument("--white-level", type=float, default=65535.0, help="of 16-bit frames")
    options = parser.parse_args()

    cv2.setNumThreads(1)
    frames = []
    exit_px = tuple(options.exit)
    for time_s, image in read(options.clip, options.fps, options.white_level):
        image, exit_px = turned(image, tuple(options.exit), options.axis_deg)
        frames.append((time_s, image))
    before = [image for time_s, image in frames if options.spray_from and time_s < options.spray_from]
    quiet = before if len(before) >= 3 else [image for _, image in frames]
    quiet = quiet[:: max(1, len(quiet) // 40)]
    background = np.median(np.stack(quiet), axis=0).astype(np.uint8)
    out = []
    for begin, end in options.stretch:
        inside = [image for time_s, image in frames if begin <= time_s <= end]
        found = [m for m in (measure(image, background, exit_px, options.px_per_mm, options.near, options.far)
                             for image in inside) if m]
        if not inside or 2 * len(found) < len(inside):
            out.append(None)
            continue
        left, right, breakup = (float(v) for v in np.mean(found, axis=0))
        out.append({"left": left, "right": right, "mean": 0.5 * (left + right), "lean": 0.5 * (right - left),
                    "breakup": breakup})
    print(json.dumps(out))


main()
