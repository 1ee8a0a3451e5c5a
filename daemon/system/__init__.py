"""How the system's service manager runs greystep: texts for the user to install, and nothing else."""
