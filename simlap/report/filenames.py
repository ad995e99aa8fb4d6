"""What a report's files are called: apart from what writes them, since the command line asks before it loads that."""

ANALYSIS, LOSSES, CORNERS, PAGE = "analysis.json", "losses.csv", "corners.csv", "report.html"
REPORT_FILES = (ANALYSIS, LOSSES, CORNERS, PAGE)
FIGURES_FOLDER = "figures"  # below the report's folder; figures never end as a log does
