"""The job's single files: tables, the model, densities."""
