"""Pure musical logic: no files, no ports, no clocks, no screen; time arrives inside events."""
