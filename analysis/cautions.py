"""What is to be minded before anybody looks into a tower, and what these counts never say?"""

#: Beside every list of causes.
HELP = (
    "This is a help to whoever looks into the tower, worked out from counts alone; it is no "
    "verdict on a part, and never says that a machine is safe to open."
)

#: Beside what is looked at with hands in the tower.
HANDS = (
    "Before hands go in: switch off and isolate the tower as its maker and the local rules "
    "require, let vacuum and air vent, and keep clear of moving bins; electrical and pressure work "
    "is for people licensed for it."
)

#: Beside all else.
CAREFUL = (
    "Change one thing at a time and log it; keep hands out of a running tower, and follow the "
    "machine's maker and the local rules."
)
