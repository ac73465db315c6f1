#!/usr/bin/python3
"""Plants flags of every form, and every fault a gallery can have, and asks flag_codes for them: a check that cannot fail is none."""
import pathlib
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent))
import flag_codes

SOURCES = {
    "vision/plain.cpp": 'flags.push_back({"plain_one", Severity::kReject, std::nullopt, {}, fmt::format("a {}", 1), "b"});\n'
                        'flags.push_back({far ? "chosen_a" : "chosen_b", calib::Severity::kWarn, p, q, "m", "a"});\n'
                        'AddFlag(p, "from_call", Severity::kInfo, "quantity_no_code", why, "");\n'
                        'flags.push_back({"two_ways", far_stated ? Severity::kWarn : Severity::kInfo, {}, {}, "m", ""});\n'
                        'const bool rejected = flag.severity == Severity::kReject;  // "not_a_flag", Severity::kWarn\n',
    "src/named.cpp": 'constexpr const char* kNamed = "named_constant";\n'
                     'flags.push_back({kNamed, Severity::kWarn, {}, {}, "m", "a"});\n',
    "src/helper.cpp": 'const auto say = [&](const char* code, const char* message) {\n'
                      '  flags.push_back({code, Severity::kInfo, {}, {}, message, ""});\n};\n'
                      'const char* const later = clip ? "by_helper_b" : "by_helper_c";\n'
                      'say("by_helper_a", "m, with a comma");\nsay(drops ? "by_helper_d" : later, "m");\n',
    "src/suffix.cpp": 'const auto warn = [&](int column, const char* what) {\n'
                      '  flags.push_back({std::string(what) + "_assumed", Severity::kWarn, {}, {}, "m", ""});\n};\n'
                      'warn(1, "pressure");\nwarn(2, "flow");\n',
}
CODES = {
    "plain_one": {"reject"}, "chosen_a": {"warn"}, "chosen_b": {"warn"}, "from_call": {"info"}, "two_ways": {"warn", "info"},
    "named_constant": {"warn"}, "by_helper_a": {"info"}, "by_helper_b": {"info"}, "by_helper_c": {"info"},
    "by_helper_d": {"info"}, "pressure_assumed": {"warn"}, "flow_assumed": {"warn"},
}
UNCLEAR = 'void Raise(std::string made_up) { flags.push_back({made_up, Severity::kWarn, {}, {}, "m", ""}); }\n'


def differs(found, wanted, what):
    if found != wanted:
        print(f"{what}: found {found}, wanted {wanted}")
    return found != wanted


def write(root, files):
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)


def page(codes):
    return "".join(f"### `{code}`\n\n**warn**. Means.\n\n" + ("No picture: never.\n\n" if code == "chosen_b" else f"![{code}]({code}.png)\n\n")
                   for code in codes)


bad = False
with tempfile.TemporaryDirectory() as folder:
    root = pathlib.Path(folder)
    gallery = root / flag_codes.GALLERY
    write(root, SOURCES)
    bad |= differs(flag_codes.codes_in(root), (CODES, []), "codes")
    bad |= differs([o.split(":")[0] for o in flag_codes.offences(root)], [f"{flag_codes.GALLERY}/README.md"], "no page")
    write(gallery, {"README.md": page(CODES), **{f"{code}.png": "" for code in CODES if code != "chosen_b"}})
    bad |= differs(list(flag_codes.offences(root)), [], "a whole gallery")

    # One fault of each kind.
    write(root, {"src/unclear.cpp": UNCLEAR})
    write(gallery, {"README.md": page([c for c in CODES if c != "plain_one"] + ["long_gone"]).replace("No picture: never.", ""),
                    "plain_one.png": ""})
    (gallery / "flow_assumed.png").write_bytes(bytes(flag_codes.MOST_BYTES + 1))
    (gallery / "two_ways.png").unlink()
    found = [offence.split(":")[0] for offence in flag_codes.offences(root)]
    bad |= differs(found, ["src/unclear.cpp", "plain_one", "long_gone", "chosen_b", "two_ways", "long_gone",
                           f"{flag_codes.GALLERY}/plain_one.png", flag_codes.GALLERY], "faults")
sys.exit(1 if bad else 0)
