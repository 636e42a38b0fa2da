"""Papers that somebody files: one content, printed as a tagged PDF and as one HTML page.

* ``blocks``: what a paper is made of, as frozen values;
* ``pdf``, ``page.typ``: the blocks as PDF by Typst (tagged, PDF/UA-1, A4 or Letter);
* ``html``, ``page.html``: the same blocks as one self-contained page;
* ``written``: either as a file, by the ending of its name;
* ``drawing``: shapes and words as SVG; ``leg`` draws a photo with its points, ``charts`` a
  course and a check;
* ``visit``, ``course``, ``certificate``, ``fleet``: the four contents; ``kept`` reads a visit's
  JSON back, ``common`` holds what they share, ``empty`` a certificate's tables of a machine
  without a leg.
* ``raters``: the report of a rater study; ``raters_words`` what it says, ``raters_drawn`` its
  plot and its flow.

Nothing here computes a figure, asks a store or reads a photo: kept values are handed in.
The same paper gives the same bytes.
"""
