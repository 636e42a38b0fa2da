"""What is true of a photo of a series, in the form of the other sample photos.

``machine.chain`` adds leg lengths, section faults and give; ``hinge_cover`` says whether the
hinge wears its cover, ``dot_visible_fraction`` how much of each dot the machine leaves in
sight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.machine.chain import hinge_mm
from knee_angle.records import LEG_POINTS
from knee_angle.training.rigid import DOT_M, MM
from knee_angle.training.scene import Camera
from knee_angle.training.seated import DOT_RGB, F35_MM, Shot, Visit, person_of, seen_of

__all__ = ["truth_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Eye:
    """World to photo: mm and pixels, rounded as the truth files have them."""

    camera: Camera

    def px(self, point: Floats) -> list[float]:
        at = self.camera.project(np.asarray(point, dtype=float)[None])[0]
        return [round(float(v), 2) for v in at - self.camera.window[:2]]

    @staticmethod
    def mm(point: Floats) -> list[float]:
        return [round(float(v) * MM, 3) for v in point]

    def inside(self, point: Floats) -> bool:
        x, y = self.px(point)
        x0, y0, x1, y1 = self.camera.window
        return 0 <= x < x1 - x0 and 0 <= y < y1 - y0


def truth_of(visit: Visit, shot: Shot, camera: Camera, name: str) -> dict[str, Any]:
    """All that is true of one photo."""
    leg, eye = person_of(shot).leg, _Eye(camera)
    across = np.eye(3) - np.outer(leg.normal, leg.normal)
    flexion = float(geometry.flexion_deg(*(across @ leg.skin[n] for n in LEG_POINTS)))
    flat = float(geometry.flexion_deg(*(eye.px(shot.markers[n]) for n in LEG_POINTS)))
    return {
        "schema": "kneecpm-scene-1",
        "image": f"{name}.jpg",
        "side": "right",
        "true_knee_flexion_deg": round(flexion, 3),
        "sagittal_normal": [round(float(v), 5) for v in leg.normal],
        "landmarks": _landmarks(shot, eye),
        "machine": _machine_truth(visit, shot, eye, flexion),
        "projected_2d_knee_angle_deg": round(flat, 3),
        "projected_minus_true_deg": round(flat - flexion, 3),
        "camera": _camera_truth(shot, camera),
        "exif_orientation": 1,
        "orientation": "landscape",
        "framing": "leg",
        "mode": "dots_tags" if shot.parts.tags else "dots",
        "dots": True,
        "dot_colour": "magenta",
        "dot_rgb": list(DOT_RGB),
        "dot_diameter_mm": DOT_M * MM,
        "tags": bool(shot.parts.tags),
        "display": True,
        "hinge_cover": shot.covered,
        "segment_mm": {
            "thigh": round(float(np.asarray(visit.machine.sections.thigh_mm)), 1),
            "shank": round(float(np.linalg.norm(across @ (leg.skin["ankle"] - leg.knee))) * MM, 1),
        },
        **_printed(shot, eye),
    }


def _landmarks(shot: Shot, eye: _Eye) -> dict[str, Any]:
    """Skin points and the dots' faces, and how much of each dot the machine leaves in sight."""
    leg, found = person_of(shot).leg, {}
    for name, face in shot.markers.items():
        share = seen_of(shot, name, eye.camera.position)
        found[name] = {
            "skin_mm": eye.mm(leg.skin[name]),
            "skin_px": eye.px(leg.skin[name]),
            "marker_mm": eye.mm(face),
            "marker_px": eye.px(face),
            "visible": share > 0.0,
            "occluder": None if share == 1.0 else "machine",
            "dot_visible_fraction": round(share, 2),
            "in_frame": eye.inside(face),
            "covered_by_cloth": False,
        }
    return found


def _machine_truth(visit: Visit, shot: Shot, eye: _Eye, flexion: float) -> dict[str, Any]:
    """Bars, display, hinge and the chain."""
    machine, leg = visit.machine, person_of(shot).leg
    c = machine.sections
    hinge = np.array([shot.at.hinge[0], 0.0, shot.at.hinge[1]]) - leg.knee
    distal, anterior = (float(v) for v in hinge_mm(shot.bars_deg, shot.knee_deg, c))
    dots = shot.parts.points
    shown = round(shot.bars_deg)
    return {
        "frame_angle_deg": shot.bars_deg,
        "gain": 1.0,
        "offset_deg": 0.0,
        "displayed_angle_exact": shot.bars_deg,
        "displayed_angle_int": shown,
        "frame_minus_true_deg": round(shot.bars_deg - flexion, 3),
        "displayed_minus_true_deg": round(shown - flexion, 3),
        "hinge_offset_mm": {
            "proximal": round(-float(hinge @ leg.thigh) * MM, 2),
            "anterior": round(float(hinge @ leg.thigh_front) * MM, 2),
        },
        "points": {
            n: {"mm": eye.mm(p), "px": eye.px(p), "in_frame": eye.inside(p), "visible": True,
                "occluder": None}
            for n, p in dots.items()
        },
        "bar_lengths_mm": {
            "thigh": round(float(np.add(c.thigh_mm, c.thigh_fault_mm)), 1),
            "lower_leg": round(float(np.add(c.lower_mm, c.lower_fault_mm)), 1),
        },
        "bars_lateral_of_leg_plane_mm": round(machine.near * MM, 1),
        "chain": {
            "thigh_mm": round(float(np.asarray(c.thigh_mm)), 2),
            "lower_mm": round(float(np.asarray(c.lower_mm)), 2),
            "thigh_fault_mm": float(np.asarray(c.thigh_fault_mm)),
            "lower_fault_mm": float(np.asarray(c.lower_fault_mm)),
            "place_mm": 0.0,
            "give": round(float(np.asarray(c.give)), 4),
            "hinge_distal_mm": round(distal, 2),
            "hinge_anterior_mm": round(anterior, 2),
        },
    }  # fmt: skip


def _camera_truth(shot: Shot, camera: Camera) -> dict[str, Any]:
    """Lens and pose; x_cam = R X_mm + t_mm."""
    leg = person_of(shot).leg
    x0, y0, x1, y1 = camera.window
    away = camera.position - leg.skin["knee"]
    facing = float(leg.normal @ away) / float(np.linalg.norm(away))
    depth = float((camera.turn @ leg.skin["knee"] + camera.shift)[2])
    back = -camera.turn[2]
    return {
        "width": x1 - x0,
        "height": y1 - y0,
        "f35_mm": F35_MM,
        "fx": camera.focal_px,
        "fy": camera.focal_px,
        "cx": camera.centre_px[0] - x0,
        "cy": camera.centre_px[1] - y0,
        "R": camera.turn.tolist(),
        "t_mm": (camera.shift * MM).tolist(),
        "position_mm": _Eye.mm(camera.position),
        "yaw_deg": round(math.degrees(math.atan2(back[0], -back[1])), 3),
        "pitch_deg": round(math.degrees(math.asin(back[2])), 3),
        "roll_deg": round(math.degrees(math.asin(-camera.turn[0, 2])), 3),
        "depth_of_knee_mm": round(depth * MM, 1),
        "view_angle_to_sagittal_normal_at_knee_deg": round(math.degrees(math.acos(facing)), 3),
        "mm_per_px_at_knee": round(depth * MM / camera.focal_px, 4),
    }


def _printed(shot: Shot, eye: _Eye) -> dict[str, Any]:
    """The strip, where there is one, and the display."""
    lcd, tags = shot.parts.lcd, shot.parts.tags
    found: dict[str, Any] = {
        "lcd": {
            "corners_px": [eye.px(c) for c in lcd],
            "in_frame": all(eye.inside(c) for c in lcd),
            "visible": True,
            "text": f"{round(shot.bars_deg)}",
        }
    }
    if tags:
        first = next(iter(tags.values()))
        before = (person_of(shot).leg.skin["knee"][1] - first[0][1]) * MM
        found["tag_board"] = {
            "dictionary": "DICT_APRILTAG_36h11",
            "tag_mm": 50.0,
            "gap_mm": 8.0,
            "plane": "parallel to the machine sagittal (x-z) plane",
            "depth_offset_towards_camera_mm": round(before, 1),
            "tags": [
                {"id": n, "corners_mm": [eye.mm(c) for c in four],
                 "corners_px": [eye.px(c) for c in four]}
                for n, four in tags.items()
            ],
        }  # fmt: skip
    return found
