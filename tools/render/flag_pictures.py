"""Small pictures for flag_gallery.py: frames with remarks, charts of a log, tables, bars. Plain, the same bytes every
time. Coordinates are pixels of the finished picture; everything is drawn at three times the size and shrunk.
Colours after Okabe and Ito's palette for colour-blind readers; what matters is told apart by shape or words as well.
"""
import math

import cv2
import numpy as np

WIDTH = 360
FINE = 3  # drawn that many times larger
BLACK, GREY, PALE, WHITE = (40, 40, 40), (130, 130, 130), (225, 225, 225), (255, 255, 255)
BLUE, ORANGE, GREEN, RED, SKY, PINK = (178, 114, 0), (0, 159, 230), (115, 158, 0), (0, 94, 213), (233, 180, 86), (167, 121, 204)
BAND = (246, 231, 207)  # a pressure point
TEXT = 0.40             # of the font's own size: capitals 8 px high


class Canvas:
    def __init__(self, height, width=WIDTH, picture=None):
        if picture is None:
            self.fine = np.full((height * FINE, width * FINE, 3), 255, np.uint8)
        else:
            self.fine = cv2.resize(picture, (width * FINE, height * FINE), interpolation=cv2.INTER_CUBIC)
        self.width, self.height = width, height

    def _at(self, x, y):
        return int(round(x * FINE * 16)), int(round(y * FINE * 16))

    def rectangle(self, x0, y0, x1, y1, colour, filled=True, thick=1.0):
        cv2.rectangle(self.fine, self._at(x0, y0), self._at(x1, y1), colour,
                      -1 if filled else int(round(thick * FINE)), cv2.LINE_AA, 4)

    def hatch(self, x0, y0, x1, y1, colour, step=6):
        part = self.fine[int(y0 * FINE):int(y1 * FINE), int(x0 * FINE):int(x1 * FINE)]
        high, wide = part.shape[:2]
        for x in range(-high, wide, step * FINE):
            cv2.line(part, (x, high), (x + high, 0), colour, FINE, cv2.LINE_AA)
        self.rectangle(x0, y0, x1, y1, colour, False)

    def line(self, points, colour, thick=1.4, dash=None):
        if len(points) < 2:
            return
        strokes = [points]
        if dash:
            strokes, left, on = [[points[0]]], dash, True
            for (xa, ya), (xb, yb) in zip(points, points[1:]):
                length, at = math.hypot(xb - xa, yb - ya), 0.0
                while length - at > left:
                    at += left
                    place = (xa + at / length * (xb - xa), ya + at / length * (yb - ya))
                    if on:
                        strokes[-1].append(place)
                    else:
                        strokes.append([place])
                    on, left = not on, dash if not on else 0.8 * dash
                left -= length - at
                if on:
                    strokes[-1].append((xb, yb))
        for stroke in strokes:
            fixed = np.array([self._at(x, y) for x, y in stroke], np.int32)
            cv2.polylines(self.fine, [fixed], False, colour, max(1, int(round(thick * FINE))), cv2.LINE_AA, 4)

    def dot(self, x, y, colour, radius=3.0, filled=True):
        cv2.circle(self.fine, self._at(x, y), int(radius * FINE * 16), colour, -1 if filled else int(1.4 * FINE),
                   cv2.LINE_AA, 4)

    def arrow(self, x0, y0, x1, y1, colour=RED, cased=False):
        angle = math.atan2(y1 - y0, x1 - x0)
        head = [(x1 - 9 * math.cos(angle + s), y1 - 9 * math.sin(angle + s)) for s in (0.42, -0.42)]
        for tone, thick in (((BLACK, 4.5), (colour, 2.0)) if cased else ((colour, 1.8),)):
            self.line([(x0, y0), (x1, y1)], tone, thick)
            self.line([head[0], (x1, y1), head[1]], tone, thick)

    @staticmethod
    def text_width(text, size=1.0):
        return cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, TEXT * size * FINE, FINE)[0][0] / FINE

    def text(self, x, y, text, colour=BLACK, size=1.0, anchor="left", cased=False, bold=False):
        """y: the base line. cased: outlined, for writing on a frame."""
        wide = self.text_width(text, size)
        x = x - wide if anchor == "right" else x - 0.5 * wide if anchor == "middle" else x
        x = min(max(x, 2.0), max(2.0, self.width - wide - 2.0))
        place, scale = (int(round(x * FINE)), int(round(y * FINE))), TEXT * size * FINE
        if cased:
            cv2.putText(self.fine, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, (20, 20, 20), 4 * FINE, cv2.LINE_AA)
        cv2.putText(self.fine, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, colour,
                    int(round((1.7 if bold else 1.15) * FINE)), cv2.LINE_AA)

    def paste(self, picture, x, y, width, height):
        small = cv2.resize(picture, (width * FINE, height * FINE), interpolation=cv2.INTER_AREA)
        self.fine[y * FINE:(y + height) * FINE, x * FINE:(x + width) * FINE] = small

    def picture(self):
        return cv2.resize(self.fine, (self.width, self.height), interpolation=cv2.INTER_AREA)


def nice_ticks(low, high, about=4):
    raw = max(1e-9, high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-6)
    return [k * step for k in range(first, int(math.floor(high / step + 1e-6)) + 1)]


class Axes:
    """A plot within a canvas: box in pixels, ranges in units."""

    def __init__(self, canvas, box, x_range, y_range):
        self.canvas, (self.x0, self.y0, self.x1, self.y1) = canvas, box
        self.xr, self.yr = x_range, y_range

    def x(self, value):
        return self.x0 + (value - self.xr[0]) / (self.xr[1] - self.xr[0]) * (self.x1 - self.x0)

    def y(self, value):
        return self.y1 - (value - self.yr[0]) / (self.yr[1] - self.yr[0]) * (self.y1 - self.y0)

    def frame(self, x_label=None, y_label=None, ticks=4):
        c = self.canvas
        for value in nice_ticks(*self.yr, about=ticks):
            c.line([(self.x0, self.y(value)), (self.x1, self.y(value))], PALE, 0.7)
            c.text(self.x0 - 4, self.y(value) + 3, f"{value:g}", size=0.85, anchor="right")
        for value in nice_ticks(*self.xr, about=5):
            c.line([(self.x(value), self.y1), (self.x(value), self.y1 + 3)], GREY, 0.8)
            if x_label:
                c.text(self.x(value), self.y1 + 13, f"{value:g}", size=0.85, anchor="middle")
        c.line([(self.x0, self.y0), (self.x0, self.y1), (self.x1, self.y1)], GREY, 1.0)
        if y_label:
            c.text(self.x0 - 2, self.y0 - 5, y_label, size=0.9)
        if x_label:
            c.text(self.x1, self.y1 + 25, x_label, size=0.9, anchor="right")

    def curve(self, xs, ys, colour, thick=1.3, dash=None):
        low, high = self.xr
        self.canvas.line([(self.x(a), self.y(min(max(b, self.yr[0]), self.yr[1]))) for a, b in zip(xs, ys)
                          if low <= a <= high], colour, thick, dash)


def frame(picture, notes=(), arrows=(), lines=(), crop=None, height=None):
    """A frame of a clip with remarks. crop: x0 y0 x1 y1 in frame pixels; notes: (x, y, words[, anchor]), arrows:
    (x0, y0, x1, y1), lines: ([points], colour, dash), all in frame pixels."""
    x0, y0, x1, y1 = crop or (0, 0, picture.shape[1], picture.shape[0])
    part = picture[y0:y1, x0:x1]
    scale = WIDTH / (x1 - x0)
    canvas = Canvas(int(round((y1 - y0) * scale)), picture=part)
    for points, colour, dash in lines:
        place = [((x - x0) * scale, (y - y0) * scale) for x, y in points]
        canvas.line(place, (20, 20, 20), 3.4, dash)
        canvas.line(place, colour, 1.8, dash)
    for xa, ya, xb, yb in arrows:
        canvas.arrow((xa - x0) * scale, (ya - y0) * scale, (xb - x0) * scale, (yb - y0) * scale, ORANGE, True)
    for x, y, words, *anchor in notes:
        canvas.text((x - x0) * scale, (y - y0) * scale, words, WHITE, 1.05, anchor[0] if anchor else "left", True)
    return canvas.picture()


def sheet_of_frames(pictures, captions, columns=3, empty=0, words=None):
    """Frames side by side, a caption under each; `empty`: crossed places where frames are wanting."""
    wide = (WIDTH - 6 * (columns + 1)) // columns
    high = int(round(wide * 0.75))
    count = len(pictures) + empty
    rows = (count + columns - 1) // columns
    top = 20 if words else 4
    canvas = Canvas(top + rows * (high + 20))
    if words:
        canvas.text(8, 14, words)
    for k in range(count):
        x, y = 6 + (k % columns) * (wide + 6), top + (k // columns) * (high + 20)
        if k < len(pictures):
            canvas.paste(pictures[k], x, y, wide, high)
            canvas.rectangle(x, y, x + wide, y + high, GREY, False, 0.8)
        else:
            canvas.hatch(x, y, x + wide, y + high, PALE)
        canvas.text(x + wide / 2, y + high + 13, captions[k], BLACK if k < len(pictures) else RED, 0.9, "middle")
    return canvas.picture()


def log_chart(log, points=(), clip=None, used=(), limits=(), notes=(), flow=True, x_range=None, clip_words="clip",
              pressure_words="pressure, bar", lowest=None, highest=None, arrows=(), flow_notes=()):
    """Pressure and flow over log time. points: (t0, t1) in log time, as the program reported them; clip: the clip's
    span in log time, used: the parts of it that were measured; limits: (bar, words)."""
    t, p, q = log.time_s, log.pressure_bar, log.flow_g_s if flow else None
    xr = x_range or (t[0], t[-1])
    has_flow = q is not None
    top = 34 if clip else 20
    height = top + 116 + (86 if has_flow else 0) + 28
    canvas = Canvas(height)
    box = (38, top, WIDTH - 10, top + 110)
    high = highest or 1.18 * max([max(p)] + [bar for bar, _ in limits])
    axes = Axes(canvas, box, xr, (lowest or 0.0, high))
    below = Axes(canvas, (38, box[3] + 26, WIDTH - 10, box[3] + 86), xr, (0.0, 1.2 * max(max(q), 1.0))) if has_flow else None
    bottom = below.y1 if has_flow else box[3]
    for k, (t0, t1) in enumerate(points):
        canvas.rectangle(axes.x(t0), box[1], axes.x(t1), bottom, BAND)
        canvas.text(axes.x(0.5 * (t0 + t1)), box[3] - 5, f"point {k + 1}" if t1 - t0 > 0.16 * (xr[1] - xr[0]) else str(k + 1),
                    BLUE, 0.85, "middle")
    if clip:
        a, b = max(xr[0], clip[0]), min(xr[1], clip[1])
        canvas.rectangle(axes.x(a), 4, axes.x(b), 15, PALE)
        for t0, t1 in used:
            canvas.rectangle(axes.x(max(a, t0)), 4, axes.x(min(b, t1)), 15, SKY)
        canvas.rectangle(axes.x(a), 4, axes.x(b), 15, BLACK, False, 1.0)
        canvas.text(0.5 * (axes.x(a) + axes.x(b)), 13, clip_words, size=0.85, anchor="middle")
        for edge in (a, b):
            canvas.line([(axes.x(edge), 15), (axes.x(edge), bottom)], GREY, 0.8, 3)
    axes.frame(None if has_flow else "log time, s", pressure_words)
    axes.curve(t, p, BLUE)
    for bar, words in limits:
        canvas.line([(axes.x0, axes.y(bar)), (axes.x1, axes.y(bar))], RED, 1.6, 7)
        canvas.text(axes.x0 + 5, axes.y(bar) - 4, words, RED, 0.9)
    if has_flow:
        below.frame("log time, s", "flow, g/s", 2)
        below.curve(t, q, GREEN)
    for at_s, bar, words, *anchor in notes:
        canvas.text(axes.x(at_s), axes.y(bar), words, RED, 0.95, anchor[0] if anchor else "left")
    for at_s, g_s, words, *anchor in flow_notes:
        canvas.text(below.x(at_s), below.y(g_s), words, RED, 0.95, anchor[0] if anchor else "left")
    for t0, b0, t1, b1 in arrows:
        canvas.arrow(axes.x(t0), axes.y(b0), axes.x(t1), axes.y(b1))
    return canvas.picture()


def table(rows, roles=None, marked=(), words=None, faint=()):
    """The first lines of a log file; roles: a word over each column; marked columns are framed, faint ones grey."""
    columns = len(rows[0])
    wide = (WIDTH - 16) / columns
    top = (22 if words else 6) + (26 if roles else 0)
    canvas = Canvas(int(top + 21 * len(rows) + 8))
    if words:
        canvas.text(8, 15, words)
    for k in range(columns):
        x = 8 + k * wide
        tone = GREY if k in faint else BLACK
        if roles and roles[k]:
            canvas.text(x + wide / 2, top - 15, roles[k], RED if k in marked else BLUE, 0.85, "middle")
            canvas.line([(x + wide / 2, top - 11), (x + wide / 2, top - 3)], RED if k in marked else BLUE, 1.2)
        canvas.rectangle(x + 1, top, x + wide - 1, top + 20, PALE)
        for r, row in enumerate(rows):
            canvas.text(x + wide / 2, top + 14 + 21 * r, row[k], tone, 0.88, "middle", bold=False)
            if k in faint:
                w = canvas.text_width(row[k], 0.88)
                canvas.line([(x + wide / 2 - w / 2, top + 10 + 21 * r), (x + wide / 2 + w / 2, top + 10 + 21 * r)], GREY, 0.8)
        if k in marked:
            canvas.rectangle(x + 1, top, x + wide - 1, top + 21 * len(rows) + 3, RED, False, 1.8)
    return canvas.picture()


def bars(rows, unit, words, marked=(), decimals=3, limit=None):
    """Horizontal bars with u: rows of (name, value, u or None)."""
    top = 40 if limit else 24
    canvas = Canvas(top + 28 + 34 * len(rows))
    canvas.text(8, 15, words)
    most = 1.12 * max([value + (u or 0.0) for _, value, u in rows] + ([limit[0]] if limit else []))
    axes = Axes(canvas, (118, top, WIDTH - 52, top + 34 * len(rows)), (0.0, most), (0.0, 1.0))
    for value in nice_ticks(0.0, most, 4):
        canvas.line([(axes.x(value), axes.y0), (axes.x(value), axes.y1)], PALE, 0.8)
        canvas.text(axes.x(value), axes.y1 + 12, f"{value:g}", size=0.85, anchor="middle")
    for k, (name, value, u) in enumerate(rows):
        y = axes.y0 + 17 + 34 * k
        canvas.text(112, y + 4, name, RED if k in marked else BLACK, 0.88, "right")
        canvas.rectangle(axes.x0, y - 8, axes.x(value), y + 8, ORANGE if k in marked else SKY)
        if k in marked:
            canvas.rectangle(axes.x0, y - 8, axes.x(value), y + 8, RED, False, 1.4)
        if u:
            canvas.line([(axes.x(value - u), y), (axes.x(value + u), y)], BLACK, 1.4)
            for end in (value - u, value + u):
                canvas.line([(axes.x(end), y - 4), (axes.x(end), y + 4)], BLACK, 1.4)
        canvas.text(axes.x(value + (u or 0.0)) + 5, y + 4, f"{value:.{decimals}f}", size=0.88)
    if limit:
        canvas.line([(axes.x(limit[0]), axes.y0 - 4), (axes.x(limit[0]), axes.y1)], RED, 1.6, 6)
        canvas.text(axes.x(limit[0]) + 4, axes.y0 - 3, limit[1], RED, 0.85, "middle")
    canvas.line([(axes.x0, axes.y0), (axes.x0, axes.y1), (axes.x1, axes.y1)], GREY, 1.0)
    canvas.text(WIDTH - 8, axes.y1 + 25, unit, size=0.88, anchor="right")
    return canvas.picture()


def budget(parts, total, unit, words, marked, decimals=4):
    """The largest contributions to one uncertainty, from the result file's budget."""
    parts = sorted(parts, key=lambda part: -part["u"])[:5]
    canvas = Canvas(50 + 28 * len(parts))
    canvas.text(8, 15, words)
    most = 1.3 * max(part["u"] for part in parts)
    axes = Axes(canvas, (200, 24, WIDTH - 12, 26 + 28 * len(parts)), (0.0, most), (0.0, 1.0))
    for k, part in enumerate(parts):
        y = axes.y0 + 14 + 28 * k
        mark = marked in part["source"]
        canvas.text(194, y + 4, part["source"], RED if mark else BLACK, 0.78, "right")
        canvas.rectangle(axes.x0, y - 7, axes.x(part["u"]), y + 7, ORANGE if mark else SKY)
        if mark:
            canvas.rectangle(axes.x0, y - 7, axes.x(part["u"]), y + 7, RED, False, 1.4)
        canvas.text(axes.x(part["u"]) + 4, y + 4, f"{part['u']:.{decimals}f}", size=0.8)
    canvas.line([(axes.x0, axes.y0), (axes.x0, axes.y1)], GREY, 1.0)
    canvas.text(WIDTH - 8, axes.y1 + 16, f"u of each source, {unit}; all together {total:.{decimals}f}", size=0.85, anchor="right")
    return canvas.picture()


def law(points, area_mm2, density, words, note=None, range_bar=None):
    """Flow against pressure drop, with the square-root law through the program's flow area."""
    high = range_bar or 1.15 * max(p for p, _ in points)
    most = 1.25 * max(q for _, q in points)
    canvas = Canvas(236)
    canvas.text(8, 15, words)
    axes = Axes(canvas, (40, 40, WIDTH - 12, 198), (0.0, high), (0.0, most))
    axes.frame("pressure drop, bar", "flow, g/s", 4)
    ps = [high * k / 80.0 for k in range(81)]
    axes.curve(ps, [area_mm2 * 1e-3 * math.sqrt(2.0 * density * 1e5 * p) for p in ps], BLUE, 1.4, 5)
    canvas.text(axes.x(0.97 * high), axes.y(0.10 * most), "- -  square-root law through the fitted flow area", BLUE, 0.85, "right")
    for p, q in points:
        canvas.dot(axes.x(p), axes.y(q), WHITE, 4.5)
        canvas.dot(axes.x(p), axes.y(q), RED, 3.5)
    if note:
        canvas.text(axes.x(0.97 * high), axes.y(0.23 * most), note, RED, 0.95, "right")
    return canvas.picture()


def time_line(rows, seconds, words, unit="video time, s"):
    """Bars over time: rows of (name, [(t0, t1, colour or None for hatched, words)])."""
    canvas = Canvas(44 + 36 * len(rows) + 8)
    canvas.text(8, 15, words)
    axes = Axes(canvas, (90, 22, WIDTH - 12, 22 + 36 * len(rows)), (0.0, seconds), (0.0, 1.0))
    for k, (name, spans) in enumerate(rows):
        y = axes.y0 + 6 + 36 * k
        canvas.text(84, y + 16, name, size=0.88, anchor="right")
        for t0, t1, colour, label in spans:
            if colour is None:
                canvas.hatch(axes.x(t0), y, axes.x(t1), y + 24, RED)
            else:
                canvas.rectangle(axes.x(t0), y, axes.x(t1), y + 24, colour)
                canvas.rectangle(axes.x(t0), y, axes.x(t1), y + 24, BLACK, False, 0.8)
            if label:
                middle = 0.5 * (axes.x(t0) + axes.x(t1))
                if colour is None:
                    half = canvas.text_width(label, 0.9) / 2 + 3
                    canvas.rectangle(middle - half, y + 4, middle + half, y + 20, WHITE)
                canvas.text(middle, y + 16, label, RED if colour is None else BLACK, 0.9, "middle")
    for value in nice_ticks(0.0, seconds, 5):
        canvas.line([(axes.x(value), axes.y1), (axes.x(value), axes.y1 + 3)], GREY, 0.8)
        canvas.text(axes.x(value), axes.y1 + 13, f"{value:g}", size=0.85, anchor="middle")
    canvas.line([(axes.x0, axes.y1), (axes.x1, axes.y1)], GREY, 1.0)
    canvas.text(WIDTH - 8, axes.y1 + 25, unit, size=0.88, anchor="right")
    return canvas.picture()


def stack(*pictures, gap=6):
    """Pictures one under the other."""
    height = sum(p.shape[0] for p in pictures) + gap * (len(pictures) - 1)
    whole = np.full((height, WIDTH, 3), 255, np.uint8)
    y = 0
    for picture in pictures:
        whole[y:y + picture.shape[0]] = picture
        y += picture.shape[0] + gap
    return whole
