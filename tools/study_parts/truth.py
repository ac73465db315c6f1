"""The renderer's truth, as the study needs it: lines between any stations, and which point is which."""
import math

import numpy as np


def points_of(sides, side):
    z = sides[f"{side}_z_mm"]
    x = sides[f"{side}_mm"]
    pairs = [(a, b) for a, b in zip(z, x) if a is not None and b is not None]
    return (np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])) if pairs else (np.zeros(0), np.zeros(0))


TOWARDS, ROUNDS = 30, 50  # first Huber's weights, which no odd row carries off; then rows are in or out


class Odd:
    """What makes a row odd: farther off the line than 0.75 px and than three scaled median deviations, the curve of the
    hyperbola off the sheet's ring left out of that."""
    def __init__(self, true):
        self.off_mm = 0.75 / true["px_per_mm"]
        self.r0_mm = true["r0_mm"]


def weighted_line(z, x, weight):
    mean_z, mean_x = np.average(z, weights=weight), np.average(x, weights=weight)
    slope_ = float(np.sum(weight * (z - mean_z) * (x - mean_x)) / np.sum(weight * (z - mean_z) ** 2))
    return slope_, float(mean_x - slope_ * mean_z)


def slope(z, x, odd=None):
    """Least-squares slope of x on z; given `odd`, robust against the odd row."""
    weight = np.ones_like(z)
    if odd is None:
        return weighted_line(z, x, weight)[0]
    straight = x
    for round_ in range(ROUNDS):
        value, start = weighted_line(z, straight, weight)
        rest = np.abs(straight - start - value * z)
        spread = 1.4826 * float(np.median(rest))
        if round_ < TOWARDS:
            weight = np.minimum(1.0, (1.345 * spread + 1e-12) / (rest + 1e-15))
        else:
            weight = np.where(rest <= max(3.0 * spread, odd.off_mm), 1.0, 0.0)
        if round_ <= TOWARDS:
            out = np.abs(value * z)
            straight = x - (np.hypot(odd.r0_mm, out) - out)
    return weighted_line(z, x, weight)[0]


def side_angle_deg(sides, side, near_mm, far_mm, odd):
    z, x = points_of(sides, side)
    keep = (z >= near_mm) & (z <= far_mm)
    if np.count_nonzero(keep) < 8:
        return None
    return math.degrees(math.atan(slope(z[keep], x[keep], odd)))


def both(left, right):
    if left is None or right is None:
        return {"left": left, "right": right, "mean": None, "lean": None}
    return {"left": left, "right": right, "mean": 0.5 * (left + right), "lean": 0.5 * (right - left)}


def angles(sides, near_mm, far_mm, odd=None):
    if not sides:
        return both(None, None)
    return both(*(side_angle_deg(sides, side, near_mm, far_mm, odd) for side in ("left", "right")))


def long_time_angles(long_time, own_frames, near_mm, far_mm, odd):
    """Robust lines through the long-time boundary, as the oracle's: rows at the ends of a stretch whose limb is lost lie
    within. Its rows end somewhat past the renderer's own far station; where the program's stations reach farther, the
    difference that the missing rows make is taken from the clip's own frames under perfect masks. Second value: whether
    that was needed."""
    if not long_time:
        return both(None, None), False
    found, extended = {}, False
    for side in ("left", "right"):
        z, _ = points_of(long_time, side)
        end = float(z[-1]) if z.size else 0.0
        value = side_angle_deg(long_time, side, near_mm, min(far_mm, end), odd)
        if value is not None and far_mm > end + 0.02 * (far_mm - near_mm):
            extended = True
            whole = side_angle_deg(own_frames, side, near_mm, far_mm, odd)
            part = side_angle_deg(own_frames, side, near_mm, end, odd)
            value = None if whole is None or part is None else value + whole - part
        found[side] = value
    return both(found["left"], found["right"]), extended


def overlap(a0, a1, b0, b1):
    """Length shared by two stretches, as a part of the shorter."""
    shorter = min(a1 - a0, b1 - b0)
    return max(0.0, min(a1, b1) - max(a0, b0)) / shorter if shorter > 0.0 else 0.0


def match(true_points, result_points, log_minus_video_s):
    """Ties result points to true ones by log time. Returns {true index: result index}, invented result indices, and
    the true indices whose result point took its frames from another stretch of the clip."""
    pairs, invented, astray = {}, [], []
    for k, point in enumerate(result_points):
        t0, t1 = point.get("log_t0_s"), point.get("log_t1_s")
        if t0 is None or t1 is None:
            if point.get("t0_s") is None or log_minus_video_s is None:
                invented.append(k)
                continue
            t0, t1 = point["t0_s"] + log_minus_video_s, point["t1_s"] + log_minus_video_s
        shares = [overlap(t0, t1, p["log_t0_s"], p["log_t1_s"]) for p in true_points]
        best = int(np.argmax(shares)) if shares else -1
        if best < 0 or shares[best] < 0.5 or best in pairs:
            invented.append(k)
            continue
        pairs[best] = k
        if point.get("t0_s") is None or not true_points[best]["frames"]:
            continue
        here = true_points[best]
        if overlap(point["t0_s"], point["t1_s"], here["t0_s"], here["t1_s"]) < 0.5:
            astray.append(best)
    return pairs, invented, astray
