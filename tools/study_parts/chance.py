"""Chance: exact binomial tests, Holm's correction, seeds that are derived and not chosen."""
import hashlib
import math


def log_binomial(k, n, p):
    if p in (0.0, 1.0):
        return 0.0 if k == (n if p else 0) else -math.inf
    return (math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1) + k * math.log(p)
            + (n - k) * math.log1p(-p))


def binomial_test(k, n, p):
    """Two-sided exact test of k hits in n against the share p: the sum of all outcomes that are no likelier than the
    one seen (with a hair's breadth for rounding)."""
    if n == 0:
        return 1.0
    seen = log_binomial(k, n, p) + 1e-7
    return min(1.0, math.fsum(math.exp(x) for x in (log_binomial(i, n, p) for i in range(n + 1)) if x <= seen))


def exact_interval(k, n, coverage=0.95):
    """Of a share, k hits in n (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404)."""
    tail = 0.5 * (1.0 - coverage)

    def solve(above):
        low, high = 0.0, 1.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if above(middle) else (middle, high)
        return 0.5 * (low + high)

    sums = lambda ks, p: math.fsum(math.exp(log_binomial(i, n, p)) for i in ks)
    return (0.0 if k == 0 else solve(lambda p: sums(range(k, n + 1), p) > tail),
            1.0 if k == n else solve(lambda p: sums(range(k + 1), p) < tail))


def holm(values):
    """p values adjusted for their number (S. Holm, Scand. J. Statistics 6 (1979) 65): the smallest times n, the next
    times n - 1, never falling, never above 1. None stays None and does not count."""
    order = sorted((i for i, p in enumerate(values) if p is not None), key=lambda i: values[i])
    adjusted, least = [None] * len(values), 0.0
    for rank, i in enumerate(order):
        least = max(least, min(1.0, (len(order) - rank) * values[i]))
        adjusted[i] = least
    return adjusted


def covers(entry):
    """Whether the 95 % interval holds the truth; None where none was given."""
    if entry.get("value") is None or entry.get("lo") is None or entry.get("hi") is None:
        return None
    return entry["lo"] <= entry["truth"] <= entry["hi"]


def one_a_clip(points, key):
    """Of each clip one point with an interval, drawn by the clip's seed: points of a clip share its errors, and the
    binomial test wants independent ones. Pairs (hits, n)."""
    by_clip = {}
    for p in points:
        hit = covers(p["program"].get(key, {}))
        if hit is not None:
            by_clip.setdefault(p["clip"], (p["seed"], []))[1].append(hit)
    drawn = [hits[seed % len(hits)] for seed, hits in by_clip.values()]
    return sum(drawn), len(drawn)


def seed_of(seed, name):
    """Of one clip. Small enough for any JSON reader to keep exactly."""
    return int.from_bytes(hashlib.sha256(f"{seed}:{name}".encode()).digest()[:6], "big")


def seed_of_commit(commit):
    """From a commit's full hash: nobody can choose it to suit the result, and everybody can have it again."""
    if len(commit) != 40 or any(c not in "0123456789abcdef" for c in commit):
        raise ValueError(f"expected a commit's 40 hexadecimal digits, found {commit!r}")
    return int.from_bytes(hashlib.sha256(f"commit:{commit}".encode()).digest()[:6], "big")
