"""The page in a network: every request passes one gate, and only signed-in ones go on.

* `gate`: who asks, under which name, from where, with which session; `doors`: signing in
  and out, pairing, the list of devices; `provider`: the hospital's OpenID Connect;
* `templates`: the pages before and beside the page itself, with their own strict policy;
* `assets`: Streamlit's files, compressed once, cached for good; the start page and manifest;
  `icons`: of its icon font those that can be shown;
* `certificate`: the hospital's looked at, or one made here; `slow`: sockets that dawdle;
* `here`: who is signed in, for the pages themselves; `serve`: starts it all.

Who may do what is decided below, in `knee_angle.store.access`.
"""
