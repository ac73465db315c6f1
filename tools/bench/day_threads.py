#!/usr/bin/python3
"""Times a test day of many clips on one core and on two.

    tools/bench/day_threads.py [--build build/release] [--clips 60] [--rounds 3]
                               [--clip sample_frames/R07.mp4 | --clip CLIP --log LOG.csv --rig RIG.toml]

The day is the sample's clip, or another one, under many names (links), each an element of its own. Both ways are run in turn, one and
two and two and one, so that what else the machine does falls on both alike; each is pinned to its cores. Prints the
times of each round, the median ratio, and the share of the machine that others took meanwhile (/proc/stat): with more
than a few per cent the ratio says little. Results of both must be the same bytes. Exit status: 0; 1 where the ratio is
below --least (1.8)."""
import argparse
import filecmp
import os
import pathlib
import resource
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]


def busy_s():
    """Seconds of all cores that were not idle, since the machine began."""
    fields = [int(word) for word in pathlib.Path("/proc/stat").read_text().split("\n")[0].split()[1:]]
    return (sum(fields[:8]) - fields[3] - fields[4]) / os.sysconf("SC_CLK_TCK")


def children_s():
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def sheet(folder, clip, log, rig, rig_lines, clips):
    text = f'[day]\nname = "bench (invented)"\nrig = "rig.toml"\ndate = "2031-05-04"\n'
    for k in range(clips):
        name = f"clip{k:02d}{clip.suffix}"
        os.symlink(clip, folder / name)
        text += f'[[clip]]\nfile = "{name}"\nelement = "E{k:02d}"\nlog = "log.csv"\n{rig_lines}'
    os.symlink(log, folder / "log.csv")
    (folder / "rig.toml").write_text(rig.read_text())
    (folder / "DAY.toml").write_text(text)


def rig_lines_of(clip_name):
    """What the sample's own day says of this clip's rig."""
    parts = (ROOT / "sample_frames" / "DAY.toml").read_text().split("[[clip]]")
    for part in parts[1:]:
        if f'file = "{clip_name}"' in part:
            return "\n".join(part.strip().split("\n")[4:]) + "\n"
    return ""


def run(program, folder, threads, cores):
    out = folder / f"out{threads}"
    before, own, start = busy_s(), children_s(), time.monotonic()
    done = subprocess.run(["taskset", "-c", ",".join(map(str, cores[:threads])), program, "--threads", str(threads),
                           "--quiet", "measure", "--sheet", folder / "DAY.toml", "--json", out],
                          stdout=subprocess.DEVNULL)
    seconds = time.monotonic() - start
    if done.returncode not in (0, 3):
        sys.exit(f"conebook ended with {done.returncode}")
    own = children_s() - own
    return seconds, own, max(0.0, busy_s() - before - own) / (seconds * os.cpu_count())


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--build", default="build/release")
    parser.add_argument("--clips", type=int, default=60)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--clip", default=str(ROOT / "sample_frames" / "R07.mp4"))
    parser.add_argument("--log", help="left out: CLIP_log.csv beside the clip")
    parser.add_argument("--rig", help="left out: the sample's, with what its day says of the clip")
    parser.add_argument("--least", type=float, default=1.8)
    arguments = parser.parse_args()
    program = pathlib.Path(arguments.build).resolve() / "conebook"
    clip = pathlib.Path(arguments.clip).resolve()
    log = pathlib.Path(arguments.log).resolve() if arguments.log else clip.with_name(clip.stem + "_log.csv")
    rig = pathlib.Path(arguments.rig) if arguments.rig else ROOT / "sample_frames" / "rig.toml"
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        sys.exit("this machine gives one core: nothing to compare")
    ratios, cpu = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        sheet(folder, clip, log, rig, "" if arguments.rig else rig_lines_of(clip.name), arguments.clips)
        for number in range(arguments.rounds):
            order = (1, 2) if number % 2 == 0 else (2, 1)
            took = {threads: run(program, folder, threads, cores) for threads in order}
            ratios.append(took[1][0] / took[2][0])
            cpu.append(took[2][1] / took[1][1])
            print(f"round {number + 1}: one core {took[1][0]:6.1f} s, two {took[2][0]:6.1f} s, ratio {ratios[-1]:.2f}; "
                  f"processor time two over one {cpu[-1]:.2f}; others took {100 * took[1][2]:.0f} % and "
                  f"{100 * took[2][2]:.0f} % of the machine", flush=True)
        same = all(filecmp.cmp(folder / "out1" / file, folder / "out2" / file, shallow=False)
                   for file in sorted(os.listdir(folder / "out1")))
    print(f"{arguments.clips} clips: two cores are {statistics.median(ratios):.2f} times as fast as one; results the same "
          f"bytes: {'yes' if same else 'NO'}")
    return 0 if statistics.median(ratios) >= arguments.least and same else 1


if __name__ == "__main__":
    sys.exit(main())
