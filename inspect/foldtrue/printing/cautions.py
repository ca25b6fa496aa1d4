"""What can hurt when a drawing is used, said on the page where it belongs."""

BLADE = "Cutting: a sharp blade on a cutting mat, along a steel rule, away from yourself."
LAMP = (
    "Paper burns: hold the piece against a window, a light pad or cool LEDs, never a hot lamp or a flame; "
    "do not stare into the lamp."
)
