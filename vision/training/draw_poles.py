"""Poles drawn flat, at random, and grounds without one, as cut_poles.py cuts them: pictures x 4 x SIDE x SIDE; see README.md."""
import math

import torch

from cut_poles import SIDE, STEP_MM, USUAL_WIDE_MM


def uniform(n, low, high):
    return low + (high - low) * torch.rand(n, 1, 1)


def light(n):
    """One per pole, gray or tinted."""
    return torch.exp(uniform(n, -2.5, 1.0))[:, None] * (1 + 0.1 * torch.randn(n, 3, 1, 1))


def within(size, soft=0.08):
    """1 inside, size < 0, 0 outside."""
    return torch.sigmoid(-size / soft)[:, None]


def draw(n):
    """Poles, faces in the middle: a flank behind the face in two tones or from one to the other, a flange, perhaps a tine."""
    at = (torch.arange(SIDE) - (SIDE - 1) / 2) * STEP_MM
    x, y = at[None, None, :].expand(n, SIDE, SIDE), at[None, :, None].expand(n, SIDE, SIDE)
    face, out, wider = torch.exp(uniform(n, -0.36, 0.74)), torch.exp(uniform(n, -0.1, 1.5)), uniform(n, 0, 1.6)
    chisel = torch.rand(n, 1, 1) < 0.3
    low = torch.where(chisel, uniform(n, 0.25, 0.6), torch.ones(n, 1, 1))  # as high as it is wide, of the face
    lean_x, lean_y = uniform(n, -0.25, 0.25), uniform(n, -0.55, -0.15)  # where farther points are seen, per mm

    def outline(z):
        grown = wider * z / out
        u, v = x - lean_x * z, y - lean_y * z
        round_ = torch.hypot(u, v) - (face + grown)
        square = torch.maximum(u.abs() - face - grown, v.abs() - low * face - grown * (1 + (1 - low)))
        return torch.where(chisel, square, round_), torch.atan2(v, u)

    picture = light(n).expand(n, 3, SIDE, SIDE)
    flange = within(torch.hypot(x - lean_x * out, y - lean_y * out) - uniform(n, 5, 8.5))
    picture = picture + flange * (light(n) - picture)
    bright, dark, lit = light(n), light(n), uniform(n, -math.pi, math.pi)
    lit = torch.where(torch.rand(n, 1, 1) < 0.6, torch.full_like(lit, -math.pi / 2), lit)
    steep = torch.where(torch.rand(n, 1, 1) < 0.5, 20.0, 1.5)  # in two tones, or from one to the other
    for k in range(10, 0, -1):
        size, angle = outline(out * k / 10)
        share = torch.sigmoid(steep * torch.cos(angle - lit))[:, None]
        picture = picture + within(size) * (dark + share * (bright - dark) - picture)
    picture = picture + within(outline(torch.zeros(n, 1, 1))[0]) * (light(n) - picture)
    # A tine before it.
    end, middle, slope = uniform(n, -0.5, 2.5), uniform(n, -1, 1), uniform(n, -0.7, 0.7)
    rod = torch.maximum((x - middle - slope * (y - end)).abs() - 0.95, end - y)
    picture = picture + (torch.rand(n, 1, 1, 1) < 0.6) * within(rod) * (light(n) - picture)
    wide = torch.log(2 * face / USUAL_WIDE_MM)[:, None].expand(n, 1, SIDE, SIDE)
    return torch.cat([picture, wide], 1)


def blank(n):
    """Even grounds, without a pole."""
    at = (torch.arange(SIDE) - (SIDE - 1) / 2) / SIDE
    slope = torch.randn(n, 2, 1, 1) * (torch.rand(n, 1, 1, 1) < 0.5)
    picture = light(n) * torch.exp(slope[:, :1] * at[None, None, None, :] + slope[:, 1:] * at[None, None, :, None])
    wide = torch.randn(n, 1, 1, 1).mul(0.25).expand(n, 1, SIDE, SIDE)
    return torch.cat([picture, wide], 1)
