"""The laws of one touch, compiled: where stick and tine are nearest, how hard they push, how they stick and slide.

In: positions and velocities at the contact. Out: one step's impulse. They are the same for the truth and for the
event model (`synth.playing.contact.kernel`).

- Geometry, in the upright plane of the stick's heading: a ray of thickness r_end (the stick, from its end's centre
  upward along its axis) against a flat-topped tine whose edges are rounded by r_edge.
- Normal force: Hertz with the loss of Hunt and Crossley (J. Appl. Mech. 42, 1975, 440), N = k g^1.5 (1 + lam g'),
  with lam = 8 (1 - e) / (5 e v_in) for the restitution e of a touch at v_in (Flores's form).
- Friction: Coulomb; the surfaces hold while the impulse that keeps them at rest stays inside the cone.
"""

from __future__ import annotations

import math
from typing import Any, Final

from synth.playing.contact.compiled import inlined

SLOWEST_TOUCH: Final = 0.01  # m/s, below which the loss of a touch grows no further
STEADY_SLIDE: Final = 4.0  # times the friction there is, were it needed to hold: well into sliding
STIFFEST: Final = 0.7  # rad a step, of the contact's own swing: what a step can follow


@inlined
def nearest(xi: float, z: float, half: float, edge: float, r_end: float, sa: float, ca: float) -> Any:
    """Gap of stick and tine, direction from stick to tine, and the core's point, for the end's centre at (xi, z).

    Seen from the tine's axis and tip; `half` is the half width of the core, which the edges are rounded around.
    """
    px = min(max(xi, -half), half)  # the end's centre against the core
    pz = min(z, -edge)
    dx = px - xi
    dz = pz - z
    ex = -half - xi  # the rear edge against the stick's face
    ez = -edge - z
    s = ex * sa + ez * ca
    if s > 0.0:
        fx = ex - s * sa
        fz = ez - s * ca
        if fx * fx + fz * fz < dx * dx + dz * dz:
            dx = fx
            dz = fz
            px = -half
            pz = -edge
    d = math.sqrt(dx * dx + dz * dz)
    if d < 1e-12:  # the stick's axis is inside the tine: it is pushed back the way it came
        return -(r_end + edge), 1.0, 0.0, px, pz
    inverse = 1.0 / d
    return d - r_end - edge, dx * inverse, dz * inverse, px, pz


@inlined
def meeting(
    xi: float, z: float, lean: float, half: float, edge: float, r_end: float, sa: float, ca: float
) -> Any:
    """`nearest` for a tine whose tip leans by `lean` rad in the stick's heading: gap, direction, arm from the tip.

    All is turned into the tine's upright, where the stick trails by so much less, and back.
    """
    si = lean * (1.0 - lean * lean * (1.0 / 6.0))  # to 1e-7 at a lean of 0.1
    co = 1.0 - lean * lean * (0.5 - lean * lean * (1.0 / 24.0))
    gap, mx, mz, px, pz = nearest(
        co * xi - si * z, si * xi + co * z, half, edge, r_end, sa * co - ca * si, ca * co + sa * si
    )
    px -= edge * mx
    pz -= edge * mz
    return gap, co * mx + si * mz, co * mz - si * mx, co * px + si * pz, co * pz - si * px


@inlined
def hertz(g: float, stiff: float, step_give: float) -> tuple[float, float]:
    """Force and stored energy of the contact's spring, k g^1.5, going on straight where a step cannot follow it.

    A step follows while slope times `step_give` (dt^2 over the mass) stays below STIFFEST^2.
    """
    root = math.sqrt(g)
    if 1.5 * stiff * root * step_give < STIFFEST**2:
        force = stiff * g * root
        return force, 0.4 * force * g
    slope = STIFFEST**2 / step_give
    g_cap = (slope / (1.5 * stiff)) ** 2
    force = slope * g_cap / 1.5
    more = g - g_cap
    return force + slope * more, 0.4 * force * g_cap + force * more + 0.5 * slope * more * more


@inlined
def push(elastic: float, lam: float, speed: float, inverse_mass: float) -> float:
    """The normal impulse of a step: the loss acts on the mean of the speeds before and after. Never a pull."""
    return max(elastic * (1.0 + lam * speed) / (1.0 + 0.5 * elastic * lam * inverse_mass), 0.0)


@inlined
def grip(ft: float, fb: float, vt: float, vb: float, wtt: float, wbb: float, wtb: float, cone: float) -> Any:
    """The friction impulse along the two tangents, and whether the surfaces hold.

    (ft, fb) is the sliding speed to be stopped, (vt, vb) that before the step, w the inverse masses.
    """
    inverse = 1.0 / (wtt * wbb - wtb * wtb)
    pt = (wbb * ft - wtb * fb) * inverse
    pb = (wtt * fb - wtb * ft) * inverse
    hold = pt * pt + pb * pb
    if hold <= cone * cone:
        return pt, pb, True
    slide = vt * vt + vb * vb
    if slide > 0.0 and hold > (STEADY_SLIDE * cone) ** 2:
        share = cone / math.sqrt(slide)  # straight against the sliding
        return vt * share, vb * share, False
    share = cone / math.sqrt(hold)
    return pt * share, pb * share, False


@inlined
def touch(
    direction: Any,  # n_xi, n_z of the push on the tine, cos and sin of the skew
    lever: Any,  # what a push up bends the tip on, along and across; the contact's arm from the tip, ahead and up
    relative: Any,  # stick's velocity against the tine's, along, across and up
    tine_mobility: Any,  # velocity of the tip per impulse, its turning per impulse, turning per impulse's moment
    mobility: Any,  # (3, 3) velocity per impulse of the stick's end
    gap: float,
    law: Any,  # stiffness, friction, loss, step
    lam: float,  # s/m, loss of this touch; negative for one that begins
    before: Any,  # sliding speeds after the last impulse, if the surfaces held; else nan
) -> Any:
    """Impulse on the tine (x, y, z), its normal part, heat, stored energy, lam, sliding speeds after, holding.

    And the speed of closing after it, and the give along the normal.
    """
    nx, nz, cg, sg = direction
    bx, by, ahead, above = lever
    gx, gy, gz = relative
    shift, swing, twist = tine_mobility
    stiff, mu, loss, dt = law
    n1 = cg * nx
    n2 = sg * nx
    n3 = nz
    t1 = -cg * nz
    t2 = -sg * nz
    t3 = nx
    vn = gx * n1 + gy * n2 + gz * n3
    vt = gx * t1 + gy * t2 + gz * t3
    vb = gy * cg - gx * sg
    # a push down also bends the tine on, by the slope of its tip's path, and turns the tip by its arm
    nxe = n1 + bx * n3
    nye = n2 + by * n3
    txe = t1 + bx * t3
    tye = t2 + by * t3
    nxm = n1 * above - n3 * ahead * cg
    nym = n2 * above - n3 * ahead * sg
    txm = t1 * above - t3 * ahead * cg
    tym = t2 * above - t3 * ahead * sg
    bxm = -sg * above
    bym = cg * above
    gn1 = mobility[0, 0] * n1 + mobility[0, 1] * n2 + mobility[0, 2] * n3
    gn2 = mobility[1, 0] * n1 + mobility[1, 1] * n2 + mobility[1, 2] * n3
    gn3 = mobility[2, 0] * n1 + mobility[2, 1] * n2 + mobility[2, 2] * n3
    gt1 = mobility[0, 0] * t1 + mobility[0, 1] * t2 + mobility[0, 2] * t3
    gt2 = mobility[1, 0] * t1 + mobility[1, 1] * t2 + mobility[1, 2] * t3
    gt3 = mobility[2, 0] * t1 + mobility[2, 1] * t2 + mobility[2, 2] * t3
    gb1 = mobility[0, 1] * cg - mobility[0, 0] * sg
    gb2 = mobility[1, 1] * cg - mobility[1, 0] * sg
    wnn = gn1 * n1 + gn2 * n2 + gn3 * n3 + shift * (nxe * nxe + nye * nye)
    wnn += 2.0 * swing * (nxe * nxm + nye * nym) + twist * (nxm * nxm + nym * nym)
    wtt = gt1 * t1 + gt2 * t2 + gt3 * t3 + shift * (txe * txe + tye * tye)
    wtt += 2.0 * swing * (txe * txm + tye * tym) + twist * (txm * txm + tym * tym)
    wbb = gb2 * cg - gb1 * sg + shift + 2.0 * swing * above + twist * above * above
    wnt = gn1 * t1 + gn2 * t2 + gn3 * t3 + shift * (nxe * txe + nye * tye)
    wnt += swing * (nxe * txm + nye * tym + nxm * txe + nym * tye) + twist * (nxm * txm + nym * tym)
    wnb = gn2 * cg - gn1 * sg + shift * (nye * cg - nxe * sg)
    wnb += swing * (nxe * bxm + nye * bym - nxm * sg + nym * cg) + twist * (nxm * bxm + nym * bym)
    wtb = gt2 * cg - gt1 * sg + shift * (tye * cg - txe * sg)
    wtb += swing * (txe * bxm + tye * bym - txm * sg + tym * cg) + twist * (txm * bxm + tym * bym)
    if lam < 0.0:
        lam = loss / max(vn, SLOWEST_TOUCH)
    force, stored = hertz(-gap, stiff, dt * dt * wnn)
    elastic = force * dt
    pn = push(elastic, lam, vn, wnn)
    ft = vt - wnt * pn
    fb = vb - wnb * pn
    if before[0] == before[0]:  # held so far: at rest on average over the step, not at one end of it
        ft += 0.5 * (vt - before[0])
        fb += 0.5 * (vb - before[1])
    pt, pb, held = grip(ft, fb, vt, vb, wtt, wbb, wtb, mu * pn)
    at = vt - wnt * pn - wtt * pt - wtb * pb
    ab = vb - wnb * pn - wtb * pt - wbb * pb
    an = vn - wnn * pn - wnt * pt - wnb * pb
    lost = 0.5 * ((pn - elastic) * (vn + an) + pt * (vt + at) + pb * (vb + ab))
    fx = pn * n1 + pt * t1 - pb * sg
    fy = pn * n2 + pt * t2 + pb * cg
    return fx, fy, pn * n3 + pt * t3, pn, lost, stored, lam, at, ab, held, an, wnn
