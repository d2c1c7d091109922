"""From the box's stream to the pixels: what is shown live, and how fresh it is."""
