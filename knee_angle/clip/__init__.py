"""One cycle filmed: from a clip to knee, bars and display against time.

READ FIRST: `measure`, the list of the steps, each in its module:

* `film`: upright frames with their times; `following`: every so often a look by the detectors,
  between looks points and tags are followed; `weighing`: some looks against the leg network;
* `gather`: what counts of that; `standing`: how the camera stands in each picture;
* `model`, `solving`, `estimate`, `spread`, `joint`: one joint estimate over the clip;
* `course`, `curve`: ends and cycles, the display against knee and bars;
* `chosen`: a few pictures as photos of a visit, for the machine's judgement and the store;
* `numbers`: displayed numbers as they are typed; `reading`: as they are read in the pictures;
* `answer`: what comes out (report and page need nothing else of this room); `said`: its words.

A clip cannot tell where the marks sit on the bones: their placement is one constant for all
pictures, stays in every ± and never averages away.
"""
