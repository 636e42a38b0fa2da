"""Who may do what where the page serves a network: accounts, roles, sessions, paired phones.

* `roles`: the acts, and which role may do which; `guarded`: a store that asks before each;
* `tables`: what is remembered, in the store's own database, so that several page servers
  share it; unlike the store's rows these change, and no backup holds them;
* `passwords`, `accounts`, `slowing`: who may sign in, and how often it may be tried;
* `sessions`, `pairing`, `signing_in`: who is signed in, how a phone comes to be, all of it on
  one store;
* `ward`: how a ward's page is to be served, and what is refused before it starts;
* `unit`: what starts it with the ward's computer (systemd, a container).

Nothing here knows a browser: the page's gate (`knee_angle.page.ward`) and the commands
(`knee-angle accounts`) both stand on it.
"""
