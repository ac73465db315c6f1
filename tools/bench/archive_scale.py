#!/usr/bin/python3
"""Times list, show, compare and the export of one element on an archive of many records.

    tools/bench/archive_scale.py [--build build/release] [--records 100000] [--runs 5]

The archive is filled with copies of a measured sample run under other names (cmake --build BUILD --target
conebook_fill first; some minutes and about 3 GB for 100 000). Prints the median wall time of each command, and of
`conebook --version` as the cost of starting at all."""
import argparse
import os
import statistics
import subprocess
import tempfile
import time


def median_s(command, runs):
    times = []
    for _ in range(runs):
        start = time.monotonic()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append(time.monotonic() - start)
    return statistics.median(times)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--build", default="build/release")
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--at-bar", type=float, default=4.0, help="pressure drop that the sample's points reach, for match")
    parser.add_argument("--book", help="an archive filled before; left out: a new one")
    arguments = parser.parse_args()
    program = os.path.abspath(f"{arguments.build}/conebook")
    with tempfile.TemporaryDirectory() as folder:
        book = arguments.book or f"{folder}/book.db"
        if not os.path.exists(book):
            sample = "sample_frames/R03"
            subprocess.run([program, "measure", f"{sample}.mp4", "--rig", "sample_frames/rig.toml", "--log",
                            f"{sample}_log.csv", "--json", f"{folder}/r.json", "--quiet"], check=True)
            start = time.monotonic()
            subprocess.run([f"{arguments.build}/tools/bench/conebook_fill", f"{folder}/r.json",
                            str(arguments.records), book], check=True)
            print(f"filled: {arguments.records} records, {os.path.getsize(book) / 1e6:.0f} MB, "
                  f"{time.monotonic() - start:.0f} s")
        element = f"E{arguments.records // 16:05d}"
        at = ["--archive", book]
        plate = f"{folder}/plate.toml"
        with open(plate, "w", encoding="utf-8") as file:
            file.write(f'[plate]\nid = "P1"\npressure_drop_bar = {arguments.at_bar}\n'
                       "rings = [{ count = 12, radius_mm = 20.0 }, { count = 24, radius_mm = 40.0 }]\n")
        for words in (["--version"], ["list"] + at, ["list", "--json"] + at, ["list", "--element", element] + at,
                      ["list", "--flag", "cut_off", "--sort", "flow_area"] + at,
                      ["list", "--from", "2035-01-01", "--to", "2035-02-01"] + at, ["show", element] + at,
                      ["compare", "batch 0", "batch 1"] + at,
                      ["export", "--element", element, "--csv", f"{folder}/p.csv"] + at,
                      ["export", "--element", element, "--json", f"{folder}/p.json"] + at,
                      ["match", "--plate", plate] + at):
            name = " ".join(os.path.basename(word) for word in words if word not in at)
            print(f"{median_s([program] + words, arguments.runs):7.3f} s   {name}")


if __name__ == "__main__":
    main()
