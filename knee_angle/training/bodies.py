"""Invented people: a bank of parametric bodies in their rest pose.

The bodies come from the package ``anny`` (Apache-2.0 code over CC0 data). Only its
own quad topology is used. Everything after this step needs numpy alone.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

__all__ = ["Bank", "Body", "build_bank", "girth", "load_bank"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# anny's axes (x to the person's left, y back, z up) to the lying world of this folder.
TO_WORLD = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])


@dataclass(frozen=True, eq=False)
class Body:
    """One person in the rest pose, lying on the back, metres.

    Parameters
    ----------
    vertices : ndarray, shape (V, 3)
    heads : ndarray, shape (B, 3)
        Where each bone begins.
    weights, bones_of : ndarray, shape (V, K)
        Skinning weights and the bones they belong to.
    triangles : ndarray, shape (T, 3)
    parents : ndarray, shape (B,)
        Parent of each bone, -1 for the root; a parent stands before its children.
    names : tuple of str
        Name of each bone.
    sex : {"female", "male"}
    common : dict
        What all bodies of one bank share, worked out once: they differ in shape only.
    """

    vertices: Floats
    heads: Floats
    weights: Floats
    bones_of: Ints
    triangles: Ints
    parents: Ints
    names: tuple[str, ...]
    sex: str
    common: dict[Any, Any] = field(default_factory=dict, repr=False)

    @cached_property
    def index(self) -> dict[str, int]:
        """Position of each bone by its name."""
        return {name: i for i, name in enumerate(self.names)}

    @property
    def dense_weights(self) -> Floats:
        """Skinning weights as a full table, shape (V, B)."""
        if "dense_weights" not in self.common:
            table = np.zeros((len(self.vertices), len(self.heads)))
            rows = np.arange(len(self.vertices))[:, None].repeat(self.weights.shape[1], 1)
            np.add.at(table, (rows, self.bones_of), self.weights)
            self.common["dense_weights"] = table
        known: Floats = self.common["dense_weights"]
        return known

    @property
    def normal_sum(self) -> Any:
        """Sparse (V, T): adds the normals of the triangles around each vertex."""
        if "normal_sum" not in self.common:
            rows = self.triangles.ravel()
            columns = np.repeat(np.arange(len(self.triangles)), 3)
            shape = (len(self.vertices), len(self.triangles))
            self.common["normal_sum"] = sparse.csr_matrix(
                (np.ones(rows.size), (rows, columns)), shape
            )
        return self.common["normal_sum"]

    def share(self, *starts: str, ends: str = "") -> Floats:
        """How much each vertex follows the bones so named, shape (V,)."""
        key = (*starts, ends)
        if key not in self.common:
            chosen = [
                i
                for i, name in enumerate(self.names)
                if name.startswith(starts) and name.endswith(ends)
            ]
            self.common[key] = self.dense_weights[:, chosen].sum(1)
        known: Floats = self.common[key]
        return known

    @cached_property
    def regions(self) -> NDArray[np.float32]:
        """What the clothes are cut by, shape (V, 4).

        Columns: metres below the hip along the body at rest; share of forearm and
        hand; share of head and neck; +1 on the right leg, -1 on the left, else 0.
        """
        hip = self.heads[self.index["upperleg01.R"]]
        arm = self.share("lowerarm", "wrist", "finger", "metacarpal")
        head = self.share("head", "eye", "neck03", "neck02")
        leg = ("upperleg", "lowerleg", "foot", "toe")
        right, left = self.share(*leg, ends=".R"), self.share(*leg, ends=".L")
        which = np.where(right > 0.5, 1.0, np.where(left > 0.5, -1.0, 0.0))
        return np.asarray(np.c_[self.vertices[:, 0] - hip[0], arm, head, which], dtype=np.float32)

    @cached_property
    def knee_below_hip(self) -> float:
        """Metres from hip to knee along the body at rest."""
        i = self.index
        return float(self.heads[i["lowerleg01.R"]][0] - self.heads[i["upperleg01.R"]][0])

    @cached_property
    def ankle_below_hip(self) -> float:
        """Metres from hip to ankle along the body at rest."""
        i = self.index
        return float(self.heads[i["foot.R"]][0] - self.heads[i["upperleg01.R"]][0])

    @cached_property
    def foot_tips(self) -> tuple[int, int]:
        """The vertices taken for heel and toe of the right leg."""
        foot = np.where(self.share("foot", "toe", ends=".R") > 0.5)[0]
        x, z = self.vertices[foot, 0], self.vertices[foot, 2]
        return int(foot[np.argmax(x - 0.9 * z)]), int(foot[np.argmax(0.3 * x + z)])

    @property
    def right_leg_triangles(self) -> Ints:
        """Triangles of the right leg and the pelvis beside it, shape (T, 3)."""
        if "right_leg" in self.common:
            known: Ints = self.common["right_leg"]
            return known
        leg = self.share("upperleg", "lowerleg", "foot", "toe", ends=".R")
        inside = (leg > 0.02) | (self.share("pelvis") > 0.3)
        self.common["right_leg"] = self.triangles[inside[self.triangles].all(1)]
        return self.right_leg_triangles


Bank = list[Body]


def girth(body: Body) -> float:
    """How wide the hips are for the body's height: the body shape in one number."""
    hips = body.vertices[np.abs(body.regions[:, 0]) < 0.05]
    return float(np.ptp(hips[:, 1]) / np.ptp(body.vertices[:, 0]))


def load_bank(path: Path) -> Bank:
    """The bodies kept by :func:`build_bank`."""
    with np.load(path) as kept:
        faces = kept["faces"].astype(np.int64)
        triangles = np.concatenate([faces[:, [0, 1, 2]], faces[:, [0, 2, 3]]])
        a, b, c = triangles.T
        triangles = triangles[(a != b) & (b != c) & (a != c)]
        common = (kept["weights"].astype(float), kept["bones_of"].astype(np.int64), triangles)
        meta = json.loads(str(kept["meta"]))
        shared: dict[Any, Any] = {}
        return [
            Body(
                vertices.astype(float) @ TO_WORLD.T,
                heads.astype(float) @ TO_WORLD.T,
                *common,
                kept["parents"].astype(np.int64),
                tuple(meta["bones"]),
                sex,
                shared,
            )
            for vertices, heads, sex in zip(
                kept["vertices"], kept["heads"], meta["sex"], strict=True
            )
        ]


def draw_person(
    rng: np.random.Generator, *, female: bool
) -> tuple[dict[str, float], dict[str, float]]:
    """Shape parameters of one adult: the whole body's, and the legs' own.

    Ages reach from young to old, weights from slight to heavy; the knee is swollen
    as often as not, as it is after surgery. Two thirds have the thighs of heavy people.
    """
    heavy = rng.random() < 0.65
    ancestry = rng.dirichlet([0.7, 0.7, 0.7])
    whole = {
        "gender": rng.uniform(0.85, 1.0) if female else rng.uniform(0.0, 0.12),
        "age": rng.uniform(0.55, 0.97),
        "muscle": rng.uniform(0.1, 0.9),
        "weight": rng.uniform(0.55, 1.0) if heavy else rng.uniform(0.15, 0.6),
        "height": rng.uniform(0.15, 0.85),
        "proportions": rng.uniform(0.1, 0.9),
        "cupsize": 0.4,
        "firmness": 0.5,
        "african": ancestry[0],
        "asian": ancestry[1],
        "caucasian": ancestry[2],
    }
    legs = {
        "measure-knee-circ-incr": rng.uniform(-0.15, 0.7),
        "measure-calf-circ-incr": rng.uniform(-0.5, 0.5),
        "measure-thigh-circ-incr": rng.uniform(-0.1, 0.8) if heavy else rng.uniform(-0.6, 0.3),
        "measure-ankle-circ-incr": rng.uniform(-0.3, 0.5),
        "r-leg-valgus-incr": rng.uniform(0.0, 0.4),
    }
    return {k: float(v) for k, v in whole.items()}, {k: float(v) for k, v in legs.items()}


def build_bank(path: Path, *, count: int, seed: int) -> None:
    """Makes ``count`` bodies with ``anny`` and keeps them in one file of numpy arrays."""
    import anny
    import torch

    model = anny.Anny(
        topology="anny-quads", phenotypes="all", local_changes="default", facial_actions="all"
    ).to(dtype=torch.float32)
    rng = np.random.default_rng(seed)
    rest = torch.eye(4)[None, None].repeat(1, model.bone_count, 1, 1)
    vertices, heads, sexes = [], [], []
    for i in range(count):
        whole, legs = draw_person(rng, female=i % 2 == 0)
        with torch.no_grad():
            shape = model(
                pose_parameters=rest,
                phenotype_kwargs=whole,
                local_changes_kwargs=legs,
                facial_actions={"eyeBlinkLeft": 1.0, "eyeBlinkRight": 1.0},
            )
        vertices.append(shape["rest_vertices"][0].numpy().astype(np.float32))
        heads.append(shape["rest_bone_heads"][0].numpy().astype(np.float32))
        sexes.append("female" if i % 2 == 0 else "male")
    np.savez_compressed(
        path,
        vertices=np.array(vertices),
        heads=np.array(heads),
        weights=model.vertex_bone_weights.numpy().astype(np.float32),
        bones_of=model.vertex_bone_indices.numpy().astype(np.int32),
        faces=model.faces.numpy().astype(np.int32),
        parents=np.array([-1 if p is None else p for p in model.bone_parents]),
        meta=json.dumps({"bones": list(model.bone_labels), "sex": sexes, "seed": seed}),
    )
