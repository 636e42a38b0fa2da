"""What the server runs for every visitor of the page."""

from knee_angle.page.navigation import show

show()
