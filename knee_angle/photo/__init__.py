"""The photo: read safely, its printed tags, the camera that took it, the crop that is kept.

* ``reading``: upright pixels within the size limits, in windows; ``full_size`` (decoded as
  far as looked at), ``kinds`` (formats), ``memory`` (what decoding takes),
  ``colours`` (to 8-bit RGB), ``bare`` (a JPEG without metadata);
* ``gate``: whether its angles can be measured: ``told`` (what its file says), ``as_taken`` (by
  file and shape), ``lens_seen`` (by the tags);
* ``tags``: printed tags and their exact corners; ``strips``: which stick together as one
  flat row; ``boards``: which of those count, and what is said of the others;
* ``camera``: focal length, the plane of all tags (``plane_fit``), the view of the leg;
* ``copies``: files that are the same;
* ``codes``: QR and bar codes that name a patient or a machine;
* ``bars_alone``: what the bars' tags show of a machine without a leg;
* ``crop``: what is kept of a photo; ``covered``: what of it a blind rater does not see;
  ``taken``: when it was taken.
"""
