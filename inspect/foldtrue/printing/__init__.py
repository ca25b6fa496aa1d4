"""Step 'printing': pages at true size to be printed and laid under a piece, as PDF."""
