"""Background pictures from installed packages, by their licence free to use.

scikit-image's ``skimage/data`` (each picture's origin and licence are named in its
README there: public domain, CC0 or BSD) and the two photographs of scikit-learn
(CC BY, named in its ``datasets/images/README.txt``). None shows a leg.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["load_pictures", "spare_pictures"]

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
FOLDERS = {
    "skimage": "data",
    "sklearn": "datasets/images",
    "matplotlib": "mpl-data/sample_data",
}
SPARE = {
    "skimage": [
        "camera.png",
        "moon.png",
        "horse.png",
        "clock_motion.png",
        "phantom.png",
        "cell.png",
        "microaneurysms.png",
        "logo.png",
        "chessboard_RGB.png",
    ],
    "matplotlib": ["grace_hopper.jpg", "Minduka_Present_Blue_Pack.png", "logo2.png"],
}
"""Pictures that no training saw."""


def _installed(names: dict[str, list[str]]) -> Iterator[NDArray[np.uint8]]:
    """Those of some pictures whose package is there, as RGB."""
    import cv2

    for package, files in names.items():
        spec = find_spec(package)
        if spec is None or not spec.submodule_search_locations:
            continue
        folder = Path(next(iter(spec.submodule_search_locations))) / FOLDERS[package]
        for name in files:
            picture = cv2.imread(str(folder / name), cv2.IMREAD_COLOR)
            if picture is not None:
                yield np.asarray(picture[:, :, ::-1], np.uint8)


def spare_pictures() -> list[NDArray[np.uint8]]:
    """Pictures without a leg to judge by, in full: first those that no training saw."""
    return [*_installed(SPARE), *_installed(NAMES)]


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
    for picture in _installed(NAMES):
        h, w = picture.shape[:2]
        parts = (picture, picture[h // 5 : h * 4 // 5, w // 5 : w * 4 // 5])
        found += [cv2.resize(p, (SIZE, SIZE), interpolation=cv2.INTER_AREA) for p in parts]
    if not found:
        noise = np.random.default_rng(0).integers(0, 256, (SIZE, SIZE, 3))
        found.append(noise.astype(np.uint8))
    return np.array(found)
