#include "vision/spray_measurement.h"
