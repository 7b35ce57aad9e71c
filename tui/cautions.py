"""The cautions that stand wherever something may move or be loaded."""

MOTION = """\
Caution: a fibre spoke and its end fittings under 1.5 kN store enough energy to injure eyes and hands when they let go,
and the frame moves with nobody in the room. Wear eye protection, keep hands and faces out of the line of the spoke.
This program is no safety function: emergency stop, guard, over-travel switch and overload cut-out are hard-wired and
work without it. Removing power may leave the load on. Local rules and qualified practice come first."""
