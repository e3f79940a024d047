"""The run of a qualification: the only room where bench, judge and record meet."""
