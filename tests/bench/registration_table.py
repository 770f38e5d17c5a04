"""The table of the registration benchmark."""

from __future__ import annotations

import numpy as np

SIZES = (
    ("160 to 206 columns", 160, 256),
    ("256 to 384 columns", 256, 640),
    ("640 columns", 640, 9999),
    ("80 and 120 columns", 80, 160),
    ("32 columns", 0, 80),
)


def limit_of(columns):
    """Return the error from which a registration counts as failed, px."""
    return 2.0 if columns >= 100 else 3.0


def flat(rows, key):
    return [v for r in rows if key in r for v in (r[key] if isinstance(r[key], list) else [r[key]])]


def limits(rows, key):
    """Return the limit of failure for each value of ``flat``."""
    return [limit_of(r["columns"]) for r in rows if key in r for _ in range(np.size(r[key]))]


def line(rows, name, key, trusted=None):
    values = np.asarray(flat(rows, key), float)
    if not len(values):
        return
    told = np.ones(len(values), bool) if trusted is None else np.asarray(flat(rows, trusted), bool)
    bad, kept = values > limits(rows, key), values[told]
    figures = f"{np.median(kept):7.3f} {np.sqrt(np.mean(kept**2)):7.3f}" if len(kept) else f"{'-':>7} {'-':>7}"
    print(f"  {name:<34} {len(values):5d} {told.sum():8d} {figures} {bad.sum():7d} {(bad & ~told).sum():8d}")


def stated(rows, name, error, said, inside, trusted):
    """Print how errors stand to what was stated, of what is trusted."""
    told = np.asarray(flat(rows, trusted), bool)
    over = (np.asarray(flat(rows, error), float) / np.asarray(flat(rows, said), float))[told]
    held = [v for v, t in zip(flat(rows, inside), told, strict=True) if t and v is not None]
    if len(over):
        share = f"{sum(held)} of {len(held)} in 95 %" if held else "no covariance"
        print(
            f"  {name}: error over stated, rms {np.sqrt(np.mean(over**2)):.2f}, median {np.median(over):.2f}; {share}"
        )


def table(label, rows):
    print(f"{label}: {len(rows)} pairs, {sum(r['recordings'] for r in rows)} recordings")
    print(f"  {'px':<34} {'count':>5} {'trusted':>8} {'median':>7} {'rms':>7} {'failed':>7} {'flagged':>8}")
    line(rows, "frame to frame", "frame_px", "frame_trusted")
    for name, key in (
        ("  ECC", "ecc_px"),
        ("  phase correlation", "phase_px"),
        ("  Cramer-Rao bound of a shift", "bound_px"),
        ("clicks, relative", "clicks_relative_px"),
        ("  ECC from clicks", "ecc_relative_px"),
        ("  SimpleITK from clicks", "itk_relative_px"),
        ("tolerance, one placement", "tolerance_px"),
        ("clicks, absolute", "clicks_px"),
    ):
        line(rows, name, key)
    for way in ("marks", "free"):
        if not flat(rows, f"{way}_px"):
            continue
        line(rows, f"{way}: relative", f"{way}_relative_px", f"{way}_relative_trusted")
        line(rows, f"{way}: relative, each by itself", f"{way}_apart_px", f"{way}_relative_trusted")
        line(rows, f"{way}: absolute", f"{way}_px", f"{way}_trusted")
        line(rows, f"{way}: absolute, each by itself", f"{way}_own_px", f"{way}_own_trusted")
        stated(rows, f"{way}: relative", *(f"{way}_relative_{k}" for k in ("px", "said_px", "in95", "trusted")))
        stated(rows, f"{way}: absolute", *(f"{way}_own_{k}" for k in ("px", "said_px", "in95", "trusted")))
        aims = [r[f"{way}_aim_px"] for r in rows for _ in r.get(f"{way}_px", ())]
        met = np.asarray(flat(rows, f"{way}_px")) <= aims
        cpu = [float(np.median(flat(rows, f"{way}_{part}_s"))) for part in ("cpu", "match_cpu")]
        print(f"  {way}: within 0.3 px or 0.15 mm of the outline {met.sum()} of {len(met)}", end="; ")
        print(f"CPU s: place {cpu[0]:.1f}, match {cpu[1]:.1f}")
    motion, ecc = np.median(flat(rows, "motion_ms")), np.median(flat(rows, "ecc_ms"))
    print(f"  CPU ms a frame: motion {motion:.1f}, per-frame ECC {ecc:.1f} ({ecc / motion:.1f} times)")


def starts(rows):
    """Print what became of starts without clicks, each recording by itself and after the match."""
    print("starts without clicks")
    print(
        f"  {'recordings':<34} {'count':>5} {'right':>7} {'asked':>7} {'of those right':>15} {'failed unflagged':>17}"
    )
    for name, low, high in (*SIZES, ("all", 0, 9999)):
        some = [r for r in rows if low <= r["columns"] < high and "free_px" in r]
        for kind, px, trust in (
            ("by itself", "free_own_px", "free_own_trusted"),
            ("matched", "free_px", "free_trusted"),
        ):
            right = np.asarray(flat(some, px), float) <= limits(some, px)
            told = np.asarray(flat(some, trust), bool)
            if len(right):
                counts = f"{(right & told).sum():7d} {(~told).sum():7d} {(right & ~told).sum():15d}"
                print(f"  {name + ', ' + kind:<34} {len(right):5d} {counts} {(~right & told).sum():17d}")
    unasked = sum(
        not t and not a
        for r in rows
        if "free_px" in r
        for t, a in zip(r["free_own_trusted"], r["free_asked"], strict=True)
    )
    print(f"  untrusted by itself without asking for corners by name: {unasked}")


def lens(rows):
    """Print what a lens costs, on the same pairs."""
    some = [r for r in rows if "lens_k1" in r]
    if not some:
        return
    print(f"lens with k1 of 0.02 to 0.05 either way: {len(some)} pairs, {2 * len(some)} recordings")
    print(f"  {'px':<34} {'count':>5} {'trusted':>8} {'median':>7} {'rms':>7} {'failed':>7} {'flagged':>8}")
    for name, way in (("no distortion", "marks"), ("profile not given", "bent"), ("profile given", "known")):
        line(some, f"{name}: relative", f"{way}_relative_px", f"{way}_relative_trusted")
        line(some, f"{name}: absolute", f"{way}_px", f"{way}_trusted")


def report(rows):
    """Print all tables."""
    broken = [r for r in rows if "broken" in r]
    rows = [r for r in rows if "broken" not in r]
    for name, low, high in SIZES:
        for hand in (False, True):
            some = [r for r in rows if low <= r["columns"] < high and r["hand_held"] == hand]
            if some:
                table(f"{name}, {'hand-held' if hand else 'tripod'}", some)
    for hand in (False, True):
        some = [r for r in rows if r["columns"] >= 160 and r["hand_held"] == hand]
        if some:
            table(f"all from 160 columns, {'hand-held' if hand else 'tripod'}", some)
    if any("free_px" in r for r in rows):
        starts([r for r in rows if "free_px" in r])
    lens(rows)
    loud = {way: unflagged(rows, way) for way in ("marks", "free")}
    print(f"{len(rows)} pairs, {sum(r['recordings'] for r in rows)} recordings, {len(broken)} that could not be made")
    for way, found in loud.items():
        print(f"{way}: failures not flagged {len(found)}: {found}")


def unflagged(rows, way):
    """Return seeds where an error beyond the limit was trusted, absolute or relative."""
    out = []
    for r in rows:
        limit = limit_of(r["columns"])
        loose = any(e > limit and t for e, t in zip(r.get(f"{way}_px", ()), r.get(f"{way}_trusted", ()), strict=True))
        if loose or (r.get(f"{way}_relative_px", 0) > limit and r[f"{way}_relative_trusted"]):
            out.append(r["seed"])
    return out
