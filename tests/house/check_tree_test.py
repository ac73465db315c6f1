#!/usr/bin/python3
"""Plants one offence of each kind in a small tree and asks check_tree for it: a check that cannot fail is none."""
import pathlib
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent))
import check_tree

PLANTED = {
    "calib/a.h": ("#include <vision/view.h>\n", "calib/a.h: may not include vision/view.h"),
    "vision/b.cpp": ('#include "src/run.h"\n', "vision/b.cpp: may not include src/run.h"),
    "tools/render/c.cpp": ("#include <calib/lens.h>\n", "tools/render/c.cpp: may not include calib/lens.h"),
    "src/d.cpp": ('#include "../vision/view.h"\n', "src/d.cpp: includes by a way up, ../vision/view.h"),
    "src/e.h": ("#include <nlohmann/json.hpp>\n", "src/e.h: a heavy header in a header, nlohmann/"),
    "src/f.cpp": ('auto clip = "/home/someone/clip.mp4";\n', "src/f.cpp:1: a path of one machine: /home/someone"),
    "stray.txt": ("", "stray.txt: not an entry that the top level may have"),
}
INNOCENT = {
    "src/ok.cpp": '#include <vision/view.h>\n#include "src/run.h"\n#include <nlohmann/json.hpp>\n',
    "vision/ok.h": "#include <calib/lens.h>\n",
    "tools/script": "#!/usr/bin/python3\n",
    "build/x.cpp": "/home/someone/x\n",
}

with tempfile.TemporaryDirectory() as folder:
    root = pathlib.Path(folder)
    for name in check_tree.MUST_EXIST - {"LICENSE"}:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("")
    for name, text in {**INNOCENT, **{name: planted[0] for name, planted in PLANTED.items()}}.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    found = sorted(check_tree.offences(root.resolve()))

wanted = sorted([offence for _, offence in PLANTED.values()] + ["LICENSE: is missing"])
if found != wanted:
    print("not found:", sorted(set(wanted) - set(found)))
    print("not planted:", sorted(set(found) - set(wanted)))
    sys.exit(1)
