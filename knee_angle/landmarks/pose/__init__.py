"""A whole-body pose model.

`detector` is the detector; `legs` says when a leg of it is believed; `process` runs the model
in a process of its own (`worker`); `bundles` finds the bundle. Nothing is loaded before it is
asked for.
"""
