"""What the server runs when the page is opened by ``knee-angle page``."""

from knee_angle.page.bedside import show

show()
