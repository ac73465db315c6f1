# Shared build rules. A part sees another part's headers only through the target it links: each part is
# mounted, alone, in a directory of its own, so that an include against the direction calib <- vision <- src
# does not compile.
find_package(PkgConfig REQUIRED)
find_package(Threads REQUIRED)
find_package(Eigen3 3.3 REQUIRED NO_MODULE)
find_package(fmt REQUIRED)
pkg_check_modules(LIBAV REQUIRED IMPORTED_TARGET libavformat libavcodec libavutil libswscale)

# Debian's single-module OpenCV packages carry no CMake files; the whole of libopencv-dev would pull in a
# desktop's worth of libraries.
find_path(OPENCV_INCLUDE_DIR opencv2/core.hpp PATH_SUFFIXES opencv4 REQUIRED)
foreach(module core imgproc imgcodecs features2d calib3d)
  find_library(OPENCV_${module}_LIBRARY opencv_${module} REQUIRED)
  add_library(opencv::${module} UNKNOWN IMPORTED)
  set_target_properties(opencv::${module} PROPERTIES
    IMPORTED_LOCATION ${OPENCV_${module}_LIBRARY}
    INTERFACE_INCLUDE_DIRECTORIES ${OPENCV_INCLUDE_DIR}
    INTERFACE_SYSTEM_INCLUDE_DIRECTORIES ${OPENCV_INCLUDE_DIR})
endforeach()

add_library(conebook_options INTERFACE)
target_compile_options(conebook_options INTERFACE -Wall -Wextra -Wconversion -Wshadow -ffp-contract=off
  # GCC 12 sees overlaps in plain std::string concatenation (GCC bug 105651).
  $<$<CXX_COMPILER_ID:GNU>:-Wno-restrict>
  $<$<BOOL:${CONEBOOK_WERROR}>:-Werror>)
if(CONEBOOK_SANITIZE)
  target_compile_options(conebook_options INTERFACE -fsanitize=address,undefined -fno-sanitize-recover=all
    -fno-omit-frame-pointer)
  target_link_options(conebook_options INTERFACE -fsanitize=address,undefined)
endif()

# conebook_part(<name> LINK ...): one static library conebook_<name> of every source in the folder <name>.
function(conebook_part name)
  cmake_parse_arguments(PART "" "" "EXCLUDE;LINK;PRIVATE_LINK" ${ARGN})
  file(GLOB_RECURSE sources CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/${name}/*.cpp)
  if(PART_EXCLUDE)
    list(REMOVE_ITEM sources ${PART_EXCLUDE})
  endif()
  set(mount ${CMAKE_BINARY_DIR}/mount/${name})
  file(MAKE_DIRECTORY ${mount})
  file(CREATE_LINK ${CMAKE_SOURCE_DIR}/${name} ${mount}/${name} SYMBOLIC)
  add_library(conebook_${name} STATIC ${sources})
  target_include_directories(conebook_${name} PUBLIC ${mount})
  target_link_libraries(conebook_${name} PUBLIC conebook_options ${PART_LINK} PRIVATE ${PART_PRIVATE_LINK})
endfunction()
