"""The steps of an appraisal, each joining two rooms; `standmap.appraisal` calls them in order."""
