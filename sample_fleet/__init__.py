"""An invented studio whose drives obey a physics of their own: what happens to them is known beforehand."""
