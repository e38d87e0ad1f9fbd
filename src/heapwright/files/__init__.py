"""Reading the plain files of the command line: strict, with the place of every fault."""
