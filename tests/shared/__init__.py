"""What suites share: rig, models of board and handset, truth, virtual time, readers of pages."""
