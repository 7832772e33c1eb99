"""The print of the cards in a picture, averaged over each pixel so that edges lie right."""

from __future__ import annotations

from numba import njit, prange

from scripts.scene.shade import hashed

PAPER_WHITE, PAPER_BLACK = 0.80, 0.045
"""How much paper and ink reflect."""


@njit(cache=True)
def module(x, y, centre_cam, right_cam, up_cam, normal_cam, half):  # type: ignore[no-untyped-def]
    """Number of the module where the ray (x, y, 1) of the camera meets the card, -1 outside."""
    d = normal_cam[0] * x + normal_cam[1] * y + normal_cam[2]
    s = (
        normal_cam[0] * centre_cam[0]
        + normal_cam[1] * centre_cam[1]
        + normal_cam[2] * centre_cam[2]
    ) / d
    px, py, pz = s * x - centre_cam[0], s * y - centre_cam[1], s - centre_cam[2]
    u = (px * right_cam[0] + py * right_cam[1] + pz * right_cam[2]) / half
    v = (px * up_cam[0] + py * up_cam[1] + pz * up_cam[2]) / half
    if abs(u) >= 1.0 or abs(v) >= 1.0:
        return -1
    return min(int((1.0 - v) * 4.0), 7) * 8 + min(int((u + 1.0) * 4.0), 7)


@njit(cache=True)
def printed(x, y, centre_cam, right_cam, up_cam, normal_cam, half, bits):  # type: ignore[no-untyped-def]
    """How much the card reflects where the ray (x, y, 1) of the camera meets its plane."""
    m = module(x, y, centre_cam, right_cam, up_cam, normal_cam, half)
    return PAPER_WHITE if m < 0 or bits[m // 8, m % 8] else PAPER_BLACK


@njit(cache=True)
def within_one_module(grid, r, c, frame, half):  # type: ignore[no-untyped-def]
    """Whether all of a pixel shows one module, or paper only: nothing to average."""
    first = module(grid[r, c, 0], grid[r, c, 1], frame[0], frame[1], frame[2], frame[3], half)
    for i in range(1, 4):
        a, b = r + i // 2, c + i % 2
        other = module(grid[a, b, 0], grid[a, b, 1], frame[0], frame[1], frame[2], frame[3], half)
        if other != first:
            return False
    return True


@njit(cache=True, parallel=True)
def print_cards(rows, cols, card, light, whole, grid, frames, halves, bits, fine, seed, image):  # type: ignore[no-untyped-def]
    """Adds the printed cards to the picture.

    Parameters
    ----------
    rows, cols : (n,) pixels with a card under at least one sample
    card : (n, 4) row of the card under each sample, or -1
    light : (n, 4, 3) light on the paper there
    whole : (n,) all four samples on one card: the print is averaged over fine x fine cells
    frames : (cards, 4, 3) centre, right, up, normal of each card in camera coordinates
    """
    for i in prange(rows.shape[0]):
        r, c = rows[i], cols[i]
        total0 = total1 = total2 = 0.0
        n = fine if whole[i] else 2
        if whole[i] and within_one_module(grid, r, c, frames[card[i, 0]], halves[card[i, 0]]):
            n = 1
        share = 0.0
        for k in range(n * n):
            s = k if not whole[i] else 0
            q = card[i, s]
            if q < 0:
                continue
            key = (r * 8192 + c) + seed
            if whole[i]:
                du, dv = hashed(key, 100 + 2 * k), hashed(key, 101 + 2 * k)
            else:
                du, dv = hashed(key, 2 * k), hashed(key, 2 * k + 1)
            u, v = ((k % n) + du) / n, ((k // n) + dv) / n
            x = (grid[r, c, 0] * (1 - u) + grid[r, c + 1, 0] * u) * (1 - v) + (
                grid[r + 1, c, 0] * (1 - u) + grid[r + 1, c + 1, 0] * u
            ) * v
            y = (grid[r, c, 1] * (1 - u) + grid[r, c + 1, 1] * u) * (1 - v) + (
                grid[r + 1, c, 1] * (1 - u) + grid[r + 1, c + 1, 1] * u
            ) * v
            m = printed(
                x, y, frames[q, 0], frames[q, 1], frames[q, 2], frames[q, 3], halves[q], bits[q]
            )
            if whole[i]:
                share += m
            else:
                total0 += 0.25 * m * light[i, s, 0]
                total1 += 0.25 * m * light[i, s, 1]
                total2 += 0.25 * m * light[i, s, 2]
        if whole[i]:
            share /= 4.0 * n * n
            for s in range(4):
                total0 += share * light[i, s, 0]
                total1 += share * light[i, s, 1]
                total2 += share * light[i, s, 2]
        image[r, c, 0] += total0
        image[r, c, 1] += total1
        image[r, c, 2] += total2
