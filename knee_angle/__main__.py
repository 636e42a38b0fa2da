"""``python -m knee_angle`` is the command ``knee-angle``."""

from knee_angle.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
