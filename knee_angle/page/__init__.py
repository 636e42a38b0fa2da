"""The bedside page. The only place that imports streamlit.

* ``server``: the application with its security headers; ``script``: what it runs;
* ``navigation``: the list of pages: ``bedside``, ``people``, ``machines``, ``how_to``;
* ``answer``, ``editor``, ``keeping``, ``taking_back``: the answer, the points on the photo,
  keeping it, and letting it no longer count;
* ``asked``, ``memory``, ``tray``: inputs, inputs that outlive their page, photos seen;
* ``charts``, ``style``: how it looks.
"""
