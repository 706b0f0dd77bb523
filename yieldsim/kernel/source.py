"""The strokes of one actuation: when the source gives what."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.compiled import apart, inlined


@inlined
def fill_source(design, x, partial, source, breaks, samples):
    """Fill the half-sines, or the scaled waveform, and the sorted break points; returns the end of the last stroke
    [s].

    ``source`` (S, 4) receives amplitude, angular rate, start and end of each stroke: the emf of a coil, ds/dt of a
    piezoelectric swing, one row that is on or off for an energy packet. Where the press stops short (``partial``), a
    stroke ends when it has delivered the share `layout.TRAVEL` of its flux, swing or energy: of a half-sine of width w
    at w/pi arccos(1 - 2 travel).
    """
    if design.source == at.NO_SOURCE:
        return 0.0
    if design.source == at.SAMPLED:
        speed = x[at.SPEED]
        for k in range(samples.shape[1]):
            samples[0, k] = design.waveform[0, k] / speed
            samples[1, k] = design.waveform[1, k] * speed * x[at.WAVEFORM_SCALE]
            breaks[k] = samples[0, k]
        return breaks[-1]
    travel = min(max(x[at.TRAVEL], 0.0), 1.0) if partial else 1.0
    if design.source == at.PACKET:
        end = x[at.DELIVERY_TIME] * travel
        source[0, 0], source[0, 1], source[0, 2], source[0, 3] = 0.0, 0.0, 0.0, end
        breaks[0], breaks[1] = 0.0, end
        return end
    phase = math.acos(1.0 - 2.0 * travel) / math.pi if travel < 1.0 else 1.0
    last = 0.0
    end = 0.0
    strokes = design.strokes.shape[0]
    for k in range(strokes):
        base = at.FIXED + at.PER_STROKE * k
        speed = x[design.strokes[k, at.STROKE_SPEED_COLUMN]]
        width = x[design.strokes[k, at.STROKE_TIME_COLUMN]] / speed
        start = x[base + at.STROKE_START]
        if design.strokes[k, at.STROKE_DWELLS] == 1:
            start += end
        end = start + width * phase
        rate = math.pi / width
        linkage = x[base + at.STROKE_LINKAGE]
        if design.source == at.PIEZO:  # of a swing (1 - cos)/2
            source[k, 0] = 0.5 * x[at.OPEN_SWING] * linkage * rate
        else:
            source[k, 0] = x[at.PEAK_EMF] * speed * linkage
        source[k, 1] = rate
        source[k, 2] = start
        source[k, 3] = end
        breaks[3 * k], breaks[3 * k + 1], breaks[3 * k + 2] = start, min(start + 0.5 * width, end), end
        last = max(last, end)
    for k in range(1, 3 * strokes):  # insertion sort: sorted already, unless strokes overlap in this draw
        value = breaks[k]
        n = k
        while n > 0 and breaks[n - 1] > value:
            breaks[n] = breaks[n - 1]
            n -= 1
        breaks[n] = value
    return last


@apart
def stroke_at(m, source):
    """Index of the stroke that was last begun at the present time; -1 before the first."""
    found, t = -1, m[pl.TIME]
    if m[pl.KIND] == at.SAMPLED:
        return 0
    for k in range(source.shape[0]):
        if source[k, 2] <= t and (found < 0 or source[k, 2] >= source[found, 2]):
            found = k
    return found
