"""The photo: read safely, its printed tags, the camera that took it, the crop that is kept."""
