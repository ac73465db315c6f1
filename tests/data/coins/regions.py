#!/usr/bin/python3
"""regions.py COINS.png: the table regions.csv of that picture, on standard output.

scikit-image's own region table after its own documented segmentation of this picture (its gallery, "Comparing edge-based
and region-based segmentation"): watershed of the Sobel gradient from two markers, holes filled; and, as a measure of how
far two ways of that library agree, the outline that its Canny edges enclose. Needs python3-skimage (made with 0.19.3).
"""
import sys

import numpy
from scipy import ndimage
from skimage import feature, filters, io, measure, morphology, segmentation

SPECKLE_PX2 = 21  # as the gallery removes

coins = io.imread(sys.argv[1])
markers = numpy.zeros_like(coins)
markers[coins < 30] = 1
markers[coins > 150] = 2
watershed = ndimage.binary_fill_holes(segmentation.watershed(filters.sobel(coins), markers) - 1)
enclosed = morphology.remove_small_objects(ndimage.binary_fill_holes(feature.canny(coins / 255.0)), SPECKLE_PX2)


def regions(mask):
    return [r for r in measure.regionprops(ndimage.label(mask)[0]) if r.area >= SPECKLE_PX2]


print("x_px,y_px,area_px2,equivalent_diameter_px,solidity,enclosed_diameter_px")
for region in regions(watershed):
    y, x = region.centroid
    same = [r for r in regions(enclosed) if numpy.hypot(r.centroid[0] - y, r.centroid[1] - x) < 5.0]
    other = f"{same[0].equivalent_diameter:.2f}" if same else ""  # an outline with a gap encloses nothing
    print(f"{x:.2f},{y:.2f},{int(region.area)},{region.equivalent_diameter:.2f},{region.solidity:.3f},{other}")
