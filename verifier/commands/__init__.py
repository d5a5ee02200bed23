"""The command line, one module a group. Commands are loaded when they are asked for."""
