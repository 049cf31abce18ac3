"""Opening the input: workbooks, exports, statistics files and exchange files as pages of cells."""
