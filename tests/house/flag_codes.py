#!/usr/bin/python3
"""flag_codes.py ROOT: every flag code in the sources is in the gallery, with its picture, and no other code is.

Prints each offence; exit 1 if any. The gallery is src/report/gallery/README.md, made by tools/render/flag_gallery.py.
"""
import pathlib
import re
import sys

GALLERY = "src/report/gallery"
MOST_BYTES = 1_500_000  # of the whole gallery
SITE = re.compile(r",\s*(?:[\w.()!&| ]+\?\s*)?(?:calib::)?Severity::k(Info|Warn|Reject)\b"
                  r"(?:\s*:\s*(?:calib::)?Severity::k(Info|Warn|Reject)\b)?")
LITERAL = re.compile(r'"([^"\\]*)"')
IDENTIFIER = re.compile(r"(?<![\w\"])[A-Za-z_]\w*")
ENTRY = re.compile(r"^### `([a-z0-9_]+)`$", re.M)
PICTURE = re.compile(r"^!\[[^\]]+\]\(([^)]+)\)$", re.M)
WITHOUT = "No picture: "


def argument_before(text, end):
    """What stands before `end`, back to the comma, brace or bracket that begins it."""
    depth, at = 0, end
    while at > 0:
        sign = text[at - 1]
        if sign in ")}]":
            depth += 1
        elif sign in "({[":
            if depth == 0:
                break
            depth -= 1
        elif sign in ",;" and depth == 0:
            break
        at -= 1
    return text[at:end].strip()


def arguments_after(text, start):
    """The arguments of a call whose bracket opens just before `start`. Commas in strings do not part them."""
    parts, depth, quoted, begin, at = [], 0, False, start, start
    while at < len(text):
        sign = text[at]
        if quoted:
            at += 1 if sign == "\\" else 0
            quoted = sign != '"'
        elif sign == '"':
            quoted = True
        elif sign in "({[":
            depth += 1
        elif sign in ")}]":
            if depth == 0:
                parts.append(text[begin:at].strip())
                return parts
            depth -= 1
        elif sign == "," and depth == 0:
            parts.append(text[begin:at].strip())
            begin = at + 1
        at += 1
    return parts


def values_of(name, text, before, seen):
    """Strings that an identifier can stand for: a constant, or a parameter of a helper that is called in this file."""
    if (name, before) in seen:
        return []
    seen, found = seen + [(name, before)], []
    above = [m for m in re.finditer(r"const char\*(?: const)? " + name + r" =([^;]*);", text) if m.start() < before]
    if above:
        return strings_of(above[-1].group(1), text, above[-1].start(), seen)
    # The nearest helper above the place, as in: const auto say = [&](const char* code, ...) or void Say(..., const char* code)
    helpers = [m for m in re.finditer(r"(\w+)(?: = \[[^\]]*\])?\(([^(){};]*\bconst char\* " + name + r"\b[^(){};]*)\)", text)
               if m.start() < before]
    if not helpers:
        return []
    helper, parameters = helpers[-1].group(1), arguments_after(helpers[-1].group(2) + ")", 0)
    place = next(i for i, p in enumerate(parameters) if re.search(r"\b" + name + r"$", p))
    for call in re.finditer(r"\b" + helper + r"\(", text):
        arguments = arguments_after(text, call.end())
        if len(arguments) > place and "const char*" not in arguments[place]:
            found += strings_of(arguments[place], text, call.start(), seen)
    return found


def strings_of(expression, text, before, seen=()):
    seen = list(seen)
    found = LITERAL.findall(expression)
    bare = LITERAL.sub('""', expression)
    # Of a choice only what is chosen, not what decides.
    bare = " ".join(re.split(r"[?:]", bare)[1:]) if "?" in bare and "::" not in bare else bare
    for name in IDENTIFIER.findall(bare):
        found += values_of(name, text, before, seen)
    ends = [s for s in found if s.startswith("_")]  # std::string(what) + "_unit_assumed"
    if ends:
        found = [s + end for s in found if not s.startswith("_") for end in ends]
    return found


def codes_in(root):
    """({code: severities}, offences): what the sources raise, and places whose code cannot be told."""
    codes, offences = {}, []
    for part in ("calib", "vision", "src"):
        for path in sorted((root / part).rglob("*.cpp")):
            text = re.sub(r"//[^\n]*", "", path.read_text())
            for site in SITE.finditer(text):
                expression = argument_before(text, site.start())
                found = [s for s in strings_of(expression, text, site.start()) if re.fullmatch(r"[a-z][a-z0-9_]*", s)]
                if not found:
                    name = path.relative_to(root).as_posix()
                    line = text.count("\n", 0, site.start()) + 1
                    offences.append(f"{name}: about line {line}: which flag code is \"{expression}\"? Spell it there, "
                                    "or in a call of a helper with a parameter const char* code")
                for code in found:
                    codes.setdefault(code, set()).update(s.lower() for s in site.groups() if s)
    return codes, offences


def offences(root):
    codes, unclear = codes_in(root)
    yield from unclear
    page = root / GALLERY / "README.md"
    if not page.is_file():
        yield f"{GALLERY}/README.md: is missing; tools/render/flag_gallery.py makes it"
        return
    text = page.read_text()
    entries = ENTRY.split(text)[1:]
    shown = dict(zip(entries[::2], entries[1::2]))
    for code in sorted(set(codes) - set(shown)):
        yield f"{code}: raised in the sources, but not in {GALLERY}/README.md: add an entry to tools/render/flag_gallery.py"
    for code in sorted(set(shown) - set(codes)):
        yield f"{code}: in {GALLERY}/README.md, but not in the sources"
    wanted = set()
    for code, body in shown.items():
        pictures = PICTURE.findall(body)
        wanted.update(pictures)
        if not pictures and WITHOUT not in body:
            yield f"{code}: has neither a picture nor a line \"{WITHOUT.strip()}\""
        for picture in pictures:
            if not (root / GALLERY / picture).is_file():
                yield f"{code}: its picture {GALLERY}/{picture} is missing"
    files = [path for path in sorted((root / GALLERY).iterdir()) if path != page]
    for path in files:
        if path.name not in wanted:
            yield f"{GALLERY}/{path.name}: no entry shows it"
    total = sum(path.stat().st_size for path in files)
    if total > MOST_BYTES:
        yield f"{GALLERY}: {total} bytes, more than {MOST_BYTES}"


if __name__ == "__main__":
    bad = list(offences(pathlib.Path(sys.argv[1]).resolve()))
    print("\n".join(bad) if bad else "the flag gallery is whole")
    sys.exit(1 if bad else 0)
