#!/usr/bin/python3
"""check_tree.py ROOT: rules of the source tree that no compiler checks. Prints each offence; exit 1 if any."""
import pathlib
import re
import shutil
import subprocess
import sys

TOP_LEVEL = {
    "CMakeLists.txt", "CMakePresets.json", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "NOTICE",
    "calib", "vision", "src", "tests", "sample_frames", "tools",
}
MUST_EXIST = {"CMakeLists.txt", "README.md", "DEVELOPERS.md", "LICENSE", "NOTICE", "tools/setup", "tools/demo",
              "tools/test", "tools/lint", ".ci/run"}
# A part may include headers of these parts. Tests and tools may include any; the renderer has a rule of its own.
MAY_INCLUDE = {"calib": {"calib"}, "vision": {"vision", "calib"}, "src": {"src", "vision", "calib"}}
TRUTH_MAKERS = "tools/render/"  # makes the truth that calib and vision are judged by, so it uses neither
# Roots of places that exist on one machine only.
MACHINE_PATH = re.compile(rb"""(?<![\w.\-/$}>*])/(?:home|root|work|mnt|media|Users)/[\w.\-]+""")
TEXT = {".h", ".cpp", ".py", ".cmake", ".txt", ".md", ".json", ".toml", ".csv", ".S", ".css", ".js", ".pov", ""}
# Heavy headers, each behind few sources and never in a header of ours.
HEAVY = re.compile(r'^\s*#\s*include\s*[<"](CLI/|nlohmann/|toml\+\+/|toml\.hpp|SQLiteCpp/|sqlite3\.h)', re.M)
INCLUDE = re.compile(r'^\s*#\s*include\s*[<"]((?:calib|vision|src)/[^>"]+)[>"]', re.M)
INCLUDE_UP = re.compile(r'^\s*#\s*include\s*[<"](\.\./[^>"]+)[>"]', re.M)


def files_of(root):
    """Relative paths of the tree: what git tracks or would track where there is git, else everything but builds."""
    if shutil.which("git") and (root / ".git").exists():
        listed = subprocess.run(
            ["git", "-C", str(root), "-c", f"safe.directory={root}", "ls-files", "-z", "--cached", "--others",
             "--exclude-standard"], capture_output=True)
        if listed.returncode == 0:
            names = [name for name in listed.stdout.decode().split("\0") if name]
            return sorted(name for name in names if (root / name).is_file())
    found = []
    for path in root.rglob("*"):
        name = path.relative_to(root).as_posix()
        top = name.split("/")[0]
        if path.is_file() and not top.startswith("build") and top not in ("out", ".git") and "__pycache__" not in name:
            found.append(name)
    return sorted(found)


def offences(root):
    names = files_of(root)
    for name in sorted(MUST_EXIST - set(names)):
        yield f"{name}: is missing"
    for top in sorted({name.split("/")[0] for name in names}):
        if top not in TOP_LEVEL and not top.startswith("."):
            yield f"{top}: not an entry that the top level may have"
    for name in names:
        path = root / name
        if path.suffix not in TEXT or path.name.endswith(".min.js"):
            continue
        raw = path.read_bytes()
        if b"\0" in raw:
            continue
        # This file holds the pattern, its test the planted offences.
        if not name.startswith("tests/house/check_tree"):
            for found in MACHINE_PATH.finditer(raw):
                line = raw.count(b"\n", 0, found.start()) + 1
                yield f"{name}:{line}: a path of one machine: {found.group().decode()}"
        if path.suffix not in (".h", ".cpp"):
            continue
        text = raw.decode("utf-8", errors="replace")
        part = name.split("/")[0]
        allowed = set() if name.startswith(TRUTH_MAKERS) else MAY_INCLUDE.get(part, {"calib", "vision", "src"})
        for found in INCLUDE.finditer(text):
            if found.group(1).split("/")[0] not in allowed:
                yield f"{name}: may not include {found.group(1)}"
        for found in INCLUDE_UP.finditer(text):
            yield f"{name}: includes by a way up, {found.group(1)}"
        if path.suffix == ".h":
            for found in HEAVY.finditer(text):
                yield f"{name}: a heavy header in a header, {found.group(1)}"


if __name__ == "__main__":
    bad = list(offences(pathlib.Path(sys.argv[1]).resolve()))
    print("\n".join(bad) if bad else "the tree keeps its rules")
    sys.exit(1 if bad else 0)
