// Memory of one strip's work, given back at its end; and whether a launch ran out of it.
#pragma once
#include <stdlib.h>

template <class T>
struct Scratch {
    T* at;
    explicit Scratch(long long count)
        : at(static_cast<T*>(malloc((count > 0 ? count : 1) * sizeof(T)))) {}
    ~Scratch() { free(at); }
    Scratch(const Scratch&) = delete;
    Scratch& operator=(const Scratch&) = delete;
};

struct Failure {
    int seen = 0;
    void note() { __atomic_store_n(&seen, 1, __ATOMIC_RELAXED); }
};
