"""Thousands of photos: find them, measure them in parallel, keep every row, go on after a stop.

    source -> photos ─┐
    table  -> numbers ┴> jobs -> workers (processes here, or a Dask cluster) -> journal
                                 journal -> Parquet, CSV, run record

* `sources` finds the photos (`listing` goes through folders), `table` joins what is known about
  them, `points` those that were placed by hand; `jobs` puts these together, photo by photo.
* `work` says what goes to a worker and comes back; `child` is the process that
  measures; `crew` owns such processes, gives each photo its time limit and replaces a
  process that crashed or hung. So a photo costs itself only, wherever it is measured.
* `pool` hands the jobs out: to threads here, or to a Dask cluster's workers. Both call
  the same function.
* Lists and indexes lie on the disk (`files.on_disk`): a run of any length takes the same memory.
* `journal` keeps every row on disk as soon as it is there; `outputs` writes the tables,
  `review` the list of displays that a person has to look at.
* `run` puts these together; start there.
* `study` compares two columns of such a table, `versions` says what measured it.
* `doors`: what `knee_angle` hands on to Python, for one photo too; loaded on first use.
"""
