#!/usr/bin/python3
"""Measuring against decoding alone: 1080p H.264 with spray-free frames at its head, 10 s and 100 s long.

    tools/bench/decode_ratio.py [--build build/release] [--runs 3] [--long]

Prints wall and CPU seconds and peak memory of `conebook measure` and of `ffmpeg -i CLIP -f null -`, in turn, and the
ratios of the medians. The clip is rendered and looped; it is no spray of 10 s, but as costly to read as one.
Needs ffmpeg (tools/setup --study)."""
import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time


def run(command):
    """Wall s, CPU s, peak kB of one run; exits where it fails."""
    start = time.monotonic()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if status != 0:
        sys.exit(f"{' '.join(command)}: exit status {os.waitstatus_to_exitcode(status)}")
    return time.monotonic() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss


def make_clips(build, folder):
    render = [f"{build}/tools/render/conebook_render", "--seed", "41", "--group", "phone", "--fast", "--out", folder]
    for key, value in {"width": 1920, "height": 1080, "codec": "h264", "container": "mp4", "rotation": 0,
                       "light": "backlit", "film": "clear", "prespray": 1, "pressures_bar": 5, "fps": 60,
                       "px_per_mm": 14, "axis_deg": 0.5, "variable_rate": 0}.items():
        render += ["--set", f"{key}={value}"]
    subprocess.run(render, check=True, stdout=subprocess.DEVNULL)
    truth = json.load(open(f"{folder}/truth.json"))
    with open(f"{folder}/rig.toml") as file:
        rig = file.read()
    if "exit_px" not in rig:
        x, y = truth["true"]["exit_px"]
        rig = rig.replace("[nozzle]", f"[nozzle]\nexit_px = [{x:.2f}, {y:.2f}]")
    with open(f"{folder}/rig.toml", "w") as file:
        file.write(rig)
    start = truth["points"][0]["t0_s"]
    for name, frames in (("short", 600), ("long", 6000)):
        loop = (f"[1:v]loop=loop=-1:size=80:start=0,setpts=N/60/TB[b];[0:v]setpts=N/60/TB[a];"
                f"[a][b]concat=n=2:v=1,trim=end_frame={frames},fps=60[o]")
        subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", f"{folder}/clip.mp4", "-ss", str(start), "-i",
                        f"{folder}/clip.mp4", "-filter_complex", loop, "-map", "[o]", "-frames:v", str(frames), "-c:v",
                        "libx264", "-preset", "veryfast", "-crf", "20", f"{folder}/{name}.mp4"], check=True)
        if not ARGUMENTS.long:
            break


def main():
    build = ARGUMENTS.build
    with tempfile.TemporaryDirectory() as folder:
        make_clips(build, folder)
        for name in ("short", "long") if ARGUMENTS.long else ("short",):
            clip = f"{folder}/{name}.mp4"
            measure = [f"{build}/conebook", "measure", clip, "--rig", f"{folder}/rig.toml", "--json", f"{folder}/out.json"]
            decode = ["ffmpeg", "-v", "error", "-i", clip, "-f", "null", "-"]
            rows = [(run(measure), run(decode)) for _ in range(ARGUMENTS.runs)]
            m, d = ([statistics.median(r[side][k] for r in rows) for k in range(3)] for side in (0, 1))
            seconds = 10 if name == "short" else 100
            print(f"{seconds:4d} s of 1080p H.264   wall s   CPU s   peak MB")
            print(f"  conebook measure   {m[0]:8.2f} {m[1]:7.2f} {m[2] / 1024:9.0f}")
            print(f"  decoding alone     {d[0]:8.2f} {d[1]:7.2f} {d[2] / 1024:9.0f}")
            print(f"  ratio              {m[0] / d[0]:8.2f} {m[1] / d[1]:7.2f}")


PARSER = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
PARSER.add_argument("--build", default="build/release", help="finished build folder")
PARSER.add_argument("--runs", type=int, default=3, help="of each, in turn; the median is printed")
PARSER.add_argument("--long", action="store_true", help="100 s as well (some minutes)")
ARGUMENTS = PARSER.parse_args()
if __name__ == "__main__":
    main()
