"""Results as documents for people: text, JSON, plots and pages to print.

Nothing here computes a figure: a number that is printed or drawn stands in the result that
is handed over.

* ``columns``: the one list of columns; JSON, CSV, Parquet and the store follow it; ``schemas``:
  columns as a Parquet schema with units, and as a data dictionary;
* ``contract``: one photo and one machine check as JSON and CSV; ``unused_dots``: their fields;
* ``answer_text``, ``overlay``: one photo in words, and as the picture with its points;
* ``visit_words``, ``changed_words``, ``visit_contract``: a visit in words and as JSON;
* ``course_words``: a course over days in words and as JSON;
* ``sections``: how far the machine's sections are off for a leg, as JSON;
* ``check_words``: a machine check in words;
* ``sensitivity``: degrees a millimetre, told and drawn; ``axes``: from values to places;
* ``paper``: a visit, a course, a machine's certificate, the fleet, as PDF and HTML to file;
* ``kept_picture``: a kept picture as pixels;
* ``sheets``, ``code_sheet``: tags, dots, cards and codes to print, drawn by ``printed_page``;
* ``study_words``, ``study_text``, ``study_methods``, ``study_json``, ``study_plots``,
  ``study_page``: methods compared (:class:`knee_angle.agreement.Study`);
* ``raters_json``: a rater study as JSON; ``reporting``, ``study_reported``: items to report, the
  flow (``flow_drawn``: as a diagram), methods to paste.

For a clip: `clip_contract` (JSON, a row for each picture), `clip_words`, `clip_plots`,
`clip_picture`.
"""
