"""Poles drawn flat, at random, and grounds without one, as cut_poles.py cuts them: pictures x 4 x SIDE x SIDE; see README.md."""
import math

import torch

from cut_poles import SIDE, STEP_MM, USUAL_WIDE_MM
from draw_rods import chance, spread, uniform

AT = torch.arange(SIDE) - (SIDE - 1) / 2  # pixels from the middle
ACROSS, ALONG = AT.view(1, 1, 1, SIDE), AT.view(1, 1, SIDE, 1)


def light(n):
    """One per pole, gray or tinted."""
    return spread(n, 0.08, 2.7) * (1 + 0.1 * torch.randn(n, 3, 1, 1))


def within(size, soft=0.08):
    """1 inside, size < 0, 0 outside."""
    return torch.sigmoid(-size / soft)


def told(picture, wide):
    """The picture and, in the fourth channel, the logarithm of how wide its pole is."""
    return torch.cat([picture, wide.expand(len(picture), 1, SIDE, SIDE)], 1)


def draw(n):
    """Poles, faces in the middle: a flank behind the face in two tones or from one to the other, a flange, perhaps a tine."""
    x, y = ACROSS * STEP_MM, ALONG * STEP_MM
    face, out, wider = spread(n, 0.7, 2.1), spread(n, 0.9, 4.5), uniform(n, 0, 1.6)
    chisel = chance(n, 0.3)
    low = 1 - chisel * uniform(n, 0.4, 0.75)  # how high the face is, of its width
    lean_x, lean_y = uniform(n, -0.25, 0.25), uniform(n, -0.55, -0.15)  # where farther points are seen, per mm

    def outline(z):
        grown = wider * z / out
        u, v = x - lean_x * z, y - lean_y * z
        round_ = torch.hypot(u, v) - (face + grown)
        square = torch.maximum(u.abs() - face - grown, v.abs() - low * face - (2 - low) * grown)
        return torch.where(chisel > 0, square, round_), torch.atan2(v, u)

    picture = light(n).expand(n, 3, SIDE, SIDE)
    flange = within(torch.hypot(x - lean_x * out, y - lean_y * out) - uniform(n, 5, 8.5))
    picture = picture + flange * (light(n) - picture)
    bright, dark = light(n), light(n)
    lit = torch.where(chance(n, 0.6) > 0, torch.tensor(-math.pi / 2), uniform(n, -math.pi, math.pi))  # most from above
    steep = torch.where(chance(n, 0.5) > 0, 20.0, 1.5)  # in two tones, or from one to the other
    for k in range(10, 0, -1):
        size, angle = outline(out * k / 10)
        share = torch.sigmoid(steep * torch.cos(angle - lit))
        picture = picture + within(size) * (dark + share * (bright - dark) - picture)
    picture = picture + within(outline(0.0)[0]) * (light(n) - picture)
    # A tine before it.
    end, middle, slope = uniform(n, -0.5, 2.5), uniform(n, -1, 1), uniform(n, -0.7, 0.7)
    rod = torch.maximum((x - middle - slope * (y - end)).abs() - 0.95, end - y)
    picture = picture + chance(n, 0.6) * within(rod) * (light(n) - picture)
    return told(picture, torch.log(2 * face / USUAL_WIDE_MM))


def blank(n):
    """Even grounds, or such that change across, without a pole."""
    across, along = (torch.randn(2, n, 1, 1, 1) * chance(n, 0.5)) / SIDE
    picture = light(n) * torch.exp(across * ACROSS + along * ALONG)
    return told(picture, 0.25 * torch.randn(n, 1, 1, 1))
