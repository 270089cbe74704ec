"""Commands that bring measured people in: other encoders' series, and what ebbset said of labelled sets."""
