"""What a person starts: the command line, the form in JupyterLab, the look at this installation."""
