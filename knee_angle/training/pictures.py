"""Background pictures from installed packages, by their licence free to use.

scikit-image's ``skimage/data`` (each picture's origin and licence are named in its
README there: public domain, CC0 or BSD) and the two photographs of scikit-learn
(CC BY, named in its ``datasets/images/README.txt``). None shows a leg.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["load_pictures"]

SIZE = 256
NAMES = {
    "skimage": [
        "astronaut.png",
        "motorcycle_left.png",
        "motorcycle_right.png",
        "coffee.png",
        "chelsea.png",
        "rocket.jpg",
        "grass.png",
        "gravel.png",
        "brick.png",
        "hubble_deep_field.jpg",
        "retina.jpg",
        "ihc.png",
        "page.png",
        "color.png",
        "text.png",
        "coins.png",
    ],
    "sklearn": ["china.jpg", "flower.jpg"],
}
FOLDERS = {"skimage": "data", "sklearn": "datasets/images"}


def load_pictures(kept: Path | None = None) -> NDArray[np.uint8]:
    """All pictures that are installed, reduced, as RGB, shape (N, 256, 256, 3).

    Wide ones give two: the whole, and a part at twice the scale. Where none is
    installed, one page of noise stands in, so that tests need no further package.

    Parameters
    ----------
    kept : Path, optional
        An array of such pictures saved before, for machines without those packages.
    """
    if kept is not None:
        return np.asarray(np.load(kept), np.uint8)
    import cv2

    found: list[NDArray[np.uint8]] = []
    for package, names in NAMES.items():
        spec = find_spec(package)
        if spec is None or not spec.submodule_search_locations:
            continue
        folder = Path(next(iter(spec.submodule_search_locations))) / FOLDERS[package]
        for name in names:
            picture = cv2.imread(str(folder / name), cv2.IMREAD_COLOR)
            if picture is None:
                continue
            h, w = picture.shape[:2]
            for part in (picture, picture[h // 5 : h * 4 // 5, w // 5 : w * 4 // 5]):
                small = cv2.resize(part, (SIZE, SIZE), interpolation=cv2.INTER_AREA)
                found.append(np.ascontiguousarray(small[:, :, ::-1]))
    if not found:
        noise = np.random.default_rng(0).integers(0, 256, (SIZE, SIZE, 3))
        found.append(noise.astype(np.uint8))
    return np.array(found)
