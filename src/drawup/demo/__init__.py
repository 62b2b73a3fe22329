"""An invented clinic to try Drawup on, and the walk of the main job on it. Nothing in it is real."""
