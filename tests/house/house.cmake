# Checks on the tree itself, not on what the program computes.

# The source tree: includes point one way, nothing belongs to one machine, the top level is what it should be.
add_test(NAME "house: the tree keeps its rules"
  COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/check_tree.py ${CMAKE_SOURCE_DIR})
add_test(NAME "house: the rule checker finds planted offences"
  COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/check_tree_test.py)

# No flag without its entry and picture in the gallery, and none there that the program does not raise.
add_test(NAME "house: every flag code has its place in the gallery"
  COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/flag_codes.py ${CMAKE_SOURCE_DIR})
add_test(NAME "house: the reader of flag codes finds planted ones and faults"
  COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/flag_codes_test.py)

add_test(NAME "house: the filming guide has its pictures and its flag codes"
  COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/filming_guide.py ${CMAKE_SOURCE_DIR})

# What the accuracy study rests its verdicts on.
add_test(NAME "house: the study counts, tests and draws seeds as published"
  COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/study_chance_test.py)

# What the compiler says to an include against the direction, with exactly the include paths of the target.
function(conebook_compiles part direction header outcome)
  add_test(NAME "house: ${part} ${direction} ${header}"
    COMMAND python3 ${CMAKE_CURRENT_LIST_DIR}/try_include.py ${outcome} ${header}
      ${CMAKE_CXX_COMPILER} -std=c++20 "-I$<JOIN:$<TARGET_PROPERTY:conebook_${part},INCLUDE_DIRECTORIES>,;-I>"
    COMMAND_EXPAND_LISTS)
endfunction()
conebook_compiles(calib "cannot see" vision/view.h missing)
conebook_compiles(calib "cannot see" src/run.h missing)
conebook_compiles(vision "cannot see" src/run.h missing)
conebook_compiles(calib "sees" calib/quantity.h found)
conebook_compiles(vision "sees" calib/quantity.h found)
conebook_compiles(src "sees" vision/view.h found)
conebook_compiles(src "sees" calib/quantity.h found)

# The renderer's silhouettes against a general ray tracer. Needs what tools/setup --study installs.
if(TARGET conebook_render AND EXISTS ${CMAKE_SOURCE_DIR}/tools/render/povray_check.py)
  add_test(NAME "render: silhouettes agree with a general ray tracer"
    COMMAND /usr/bin/python3 ${CMAKE_SOURCE_DIR}/tools/render/povray_check.py --renderer $<TARGET_FILE:conebook_render>)
  set_tests_properties("render: silhouettes agree with a general ray tracer" PROPERTIES LABELS long TIMEOUT 1800)
endif()

# A whole test day: elements at three rotations, rendered, measured by one sheet, their lean vectors fitted to 0.15 deg.
if(TARGET conebook_render)
  add_test(NAME "study: the true lean of elements comes out of three views"
    COMMAND /usr/bin/python3 ${CMAKE_SOURCE_DIR}/tools/study --views 3 --seed 1503 --jobs 1 --build ${CMAKE_BINARY_DIR})
  set_tests_properties("study: the true lean of elements comes out of three views" PROPERTIES LABELS long TIMEOUT 1800)
endif()

# Another make of picture than the renderer's. Needs what tools/setup --study installs.
add_test(NAME "study: sprays drawn another way are measured within their intervals"
  COMMAND /usr/bin/python3 ${CMAKE_SOURCE_DIR}/tools/study --other-drawing 24 --seed 2024 --jobs 2 --build ${CMAKE_BINARY_DIR})
set_tests_properties("study: sprays drawn another way are measured within their intervals" PROPERTIES LABELS long TIMEOUT 1800)

# Flow and pressure of simulated days: every point found, none tied to a wrong stretch, intervals that hold.
add_test(NAME "study: simulated test days give back their truth"
  COMMAND /usr/bin/python3 ${CMAKE_SOURCE_DIR}/tools/study --days 48 --seed 2 --jobs 2 --build ${CMAKE_BINARY_DIR})
set_tests_properties("study: simulated test days give back their truth" PROPERTIES TIMEOUT 600)
