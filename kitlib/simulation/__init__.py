"""An invented season whose truth is known."""
