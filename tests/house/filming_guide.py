#!/usr/bin/python3
"""filming_guide.py ROOT: the filming guide's pictures are there, small, and no others; its flag codes are in the gallery.

Prints each offence; exit 1 if any. Faults are planted in a copy first and must be found: a check that cannot fail is none.
"""
import pathlib
import re
import shutil
import sys
import tempfile

GUIDE, GALLERY = "vision/filming", "src/report/gallery"
MOST_PICTURE, MOST_BYTES = 60_000, 700_000


def offences(guide, gallery_page):
    page = (guide / "README.md").read_text()
    linked = set(re.findall(r"\]\(([\w-]+\.jpg)\)", page))
    there = {p.name: p.stat().st_size for p in guide.iterdir() if p.name != "README.md"}
    if not linked:
        yield "no picture is linked"
    for name in sorted(linked ^ set(there)):
        yield f"{name}: {'linked, but missing' if name in linked else 'there, but not linked'}"
    for name, size in sorted(there.items()):
        if size > MOST_PICTURE:
            yield f"{name}: {size} bytes, {MOST_PICTURE} at most"
    if sum(there.values()) > MOST_BYTES:
        yield f"pictures of {sum(there.values())} bytes in all, {MOST_BYTES} at most"
    codes = set(re.findall(r"README\.md#(\w+)\)", page))
    for code in sorted(codes - set(re.findall(r"^### `(\w+)`", gallery_page, re.M))):
        yield f"{code}: not in the gallery of flags"


def main():
    root = pathlib.Path(sys.argv[1])
    gallery_page = (root / GALLERY / "README.md").read_text()
    with tempfile.TemporaryDirectory() as folder:
        copy = pathlib.Path(folder) / "guide"
        shutil.copytree(root / GUIDE, copy)
        whole = set(offences(copy, gallery_page))
        (copy / "stray.jpg").write_bytes(bytes(MOST_PICTURE + 1))
        (copy / "README.md").write_text((copy / "README.md").read_text() + "![x](gone.jpg) [x](README.md#no_such_code)\n")
        planted = set(offences(copy, gallery_page)) - whole
        if len(planted) != 4:
            print("planted faults were not all found:", *sorted(planted), sep="\n")
            return 1
    bad = list(offences(root / GUIDE, gallery_page))
    print("\n".join(bad) if bad else "the filming guide is whole")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
