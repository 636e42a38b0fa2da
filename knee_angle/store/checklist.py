"""Set-up points that can be ticked at the bedside; a kept row holds their keys."""

from __future__ import annotations

from knee_angle.language import say

__all__ = ["CARE", "CHECKLIST"]

CARE: dict[str, str] = {
    "heel_skin": say("Heel: no pressure on the skin, looked at as often as local protocol says"),
    "fibular_head": say("Fibular head: no strap, pad or bar presses on it; local protocol"),
    "foot_lift": say("Foot lift: asked for; where it is weak or gone, local protocol at once"),
    "dressing": say("Dressing: neither tight nor soaked; local protocol"),
}
"""Where an epidural or a nerve block hides pain. Peroneal palsy followed 2.2 % of knee
replacements in one clinic; every case with motor deficit and only partial recovery had an
epidural (Horlocker et al. 1994, abstract), and an epidural is named as a risk, padding over the
fibular head and the release of tight dressings as the answer (an orthopaedic textbook online);
either block raises the risk of a pressure ulcer at the heel (a series in Br J Nurs, abstract)."""

CHECKLIST: dict[str, str] = {
    "sections": say("Section lengths set to thigh and lower leg"),
    "hinge_flexed": say("Hinge at the knee, judged part-way into flexion"),
    "hinge_limit": say("Hinge judged again near the flexion limit"),
    "heel": say("Heel seated, sole on the foot plate"),
    "straps": say("Straps closed, two fingers pass under"),
    "control": say("The patient holds the start/stop control"),
    "paused": say("Machine paused at end range"),
    **CARE,
}
"""Set-up points that can be ticked (common practice, but for `CARE`); the key is what is kept,
so none is ever dropped or given another meaning."""
