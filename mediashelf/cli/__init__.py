"""The command line: parse, call one library function, render, exit."""
