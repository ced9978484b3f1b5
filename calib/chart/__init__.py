"""What is printed: the marker list, the chart in millimetres, the PDF."""
