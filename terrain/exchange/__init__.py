"""Writers of open standards, for machines and programs that take the work over."""
