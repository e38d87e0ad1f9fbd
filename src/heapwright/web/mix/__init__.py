"""Mix: the next pile from what is on hand, its build sheet, its build."""
