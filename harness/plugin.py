"""pytest plugin: hooks, options, fixtures. Light to import: nothing numeric is loaded until a rig is asked for."""
