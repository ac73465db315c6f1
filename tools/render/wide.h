// The hot loops are built twice, for wide vectors and for any machine; which one runs is decided at load
// time. Without contraction (see CMakeLists.txt) both give the same bytes.
#pragma once

#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_ADDRESS__) && \
    !defined(__SANITIZE_THREAD__)
#define RENDER_WIDE __attribute__((target_clones("arch=x86-64-v3", "default")))
#define RENDER_INLINE __attribute__((always_inline)) inline
#else
#define RENDER_WIDE
#define RENDER_INLINE inline
#endif
