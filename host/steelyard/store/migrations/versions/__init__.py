"""One file for each step; one that was released is never changed."""
