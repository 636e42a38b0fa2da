"""The bedside page. The only place that imports streamlit.

* ``server``: the application with its security headers; ``script``: what it runs;
  ``receiving``, ``uploads``: photos that a phone sends, and other files, on the disk;
  ``handed_over``: files that it makes, each for the session that asked;
* ``navigation``: the list of pages: ``bedside``, ``people``, ``machines`` with
  ``checking``, ``how_to``; ``rate``: a rater study's; ``ward``: the page for a network;
* ``visit``, ``check_draft``, ``drafts``: what is open, in the session and on the disk;
  ``tray``: its photos; ``found``: what was seen in them; ``judged``: its answers,
  ``beside``: what takes seconds of them;
  ``filmed``: a film of a cycle, ``film_at_work``: while it is measured; ``memory``: inputs
  that outlive their page;
* ``whose``, ``shots``, ``editor``, ``points``, ``set_up``, ``shown``, ``asked``: what is asked;
  ``answer``: the card;
  ``keeping``, ``taking_back``: keeping it, and letting it no longer count; ``paper``: on paper;
  ``for_study``: for a study;
* ``charts``, ``style``, ``spoken``: how it looks, and which language.
"""
