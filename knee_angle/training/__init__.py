"""How the leg network was made: bodies, scenes, pictures, training, weights.

Nothing in the rest of the package imports this folder, and it needs the extra
``[train]``. One command does each step (see ``python -m knee_angle.training -h``)::

    bodies   parametric people in their rest pose            -> bank.npz
    render   pictures of scenes, kept for several runs        -> a folder
    train    the network on a GPU, with such pictures or new ones -> network.pt
    export   writes the ONNX weights and their card           -> landmarks/weights/
    calibrate sets the factors on the stated ellipses from photos with known truth
    evaluate judges the network on such photos
    photos   draws such photos, of bodies that no training saw
    series   draws two visits of one person in one rigid machine, the heel seated
    groups   measures them with the whole pipeline: the model card's tables

Read in this order: :mod:`bodies`, :mod:`pictures`, :mod:`shapes`, :mod:`posing`, :mod:`meshes`,
:mod:`machines`, :mod:`rooms`, :mod:`clothes`, :mod:`scene`, :mod:`renderer`, :mod:`shaders`,
:mod:`samples`, :mod:`shelf`, :mod:`stream`, :mod:`augmentation`, :mod:`model`, :mod:`losses`,
:mod:`ranks`, :mod:`train`, :mod:`export`, :mod:`evaluate`, :mod:`photos`, :mod:`groups`, and
for the series :mod:`rigid`, :mod:`seated`, :mod:`series_truth`, :mod:`series`.

The networks that read displays are made by modules of their own, each with a command:
:mod:`display_glyphs`, :mod:`display_panels`, :mod:`display_scenes`, :mod:`display_samples`,
:mod:`display_model`, :mod:`display_train`, :mod:`display_export`, :mod:`display_judge`.
:mod:`pose_bundle` made the pose model's file. The network of what dots lie on is made by
:mod:`painted`, :mod:`dotted`, :mod:`dot_looks`, :mod:`dot_model` and :mod:`dot_train`, which is
its command.

World of the scenes
-------------------
Metres; x from the hip towards the foot of the bed, z up, and the camera's side of
the lying patient is -y. Every scene shows a right leg; the mirror image, drawn
while training, makes left legs of them.
"""
