#!/usr/bin/python3
"""try_include.py found|missing HEADER COMPILER OPTION...: passes when the compiler finds, or misses, that header."""
import subprocess
import sys

outcome, header, *compiler = sys.argv[1:]
done = subprocess.run(
    compiler + ["-fsyntax-only", "-x", "c++", "-"],
    input=f"#include <{header}>\nint main() {{}}\n",
    capture_output=True,
    text=True,
    env={"PATH": "/usr/local/bin:/usr/bin:/bin", "LC_ALL": "C"},
)
print(done.stderr, end="")
# Failing is not enough: it has to fail because this header is out of sight.
missed = done.returncode != 0 and header in done.stderr and (
    "No such file" in done.stderr or "file not found" in done.stderr  # gcc, clang
)
sys.exit(0 if (missed if outcome == "missing" else done.returncode == 0) else 1)
