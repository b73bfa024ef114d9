// Runs CUDA kernels on a CPU: each thread of a block is a fibre, __syncthreads() hands over to the
// next one. Slow and exact enough to compare every kernel with the reference where there is no
// card. Included before the kernels' source (g++ -include).
#pragma once
#include <ucontext.h>

#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <vector>

#define VERDIGRIS_HOST 1
#define __global__
#define __device__
#define __constant__ static
#define __forceinline__ inline
#define __restrict__
#define __shared__ static
#define __launch_bounds__(...)
#define __noinline__ __attribute__((noinline))
#define __grid_constant__

using std::atan2;

struct uint3_ { unsigned x, y, z; };
struct dim3_ { unsigned x, y, z; };
struct alignas(8) uint2 { unsigned x, y; };
struct alignas(16) uint4 { unsigned x, y, z, w; };
struct alignas(8) float2 { float x, y; };
struct alignas(16) float4 { float x, y, z, w; };
static inline float2 make_float2(float x, float y) { return {x, y}; }

static uint3_ threadIdx, blockIdx;
static dim3_ blockDim, gridDim;

static inline unsigned __umulhi(unsigned a, unsigned b) { return (uint64_t(a) * b) >> 32; }
static inline int min(int a, int b) { return a < b ? a : b; }
static inline int max(int a, int b) { return a > b ? a : b; }

namespace fibres {
constexpr size_t kStack = 128 * 1024;
struct Fibre {
    ucontext_t context;
    std::vector<char> stack;
    uint3_ index;
    bool done;
};
static std::vector<Fibre> pool;
static ucontext_t scheduler;
static Fibre* current;
static void (*body)(const void*);
static const void* arguments;

static void entry() {
    body(arguments);
    current->done = true;
    swapcontext(&current->context, &scheduler);
}

static void run_block(unsigned count) {
    if (pool.size() < count) pool.resize(count);
    for (unsigned t = 0; t < count; ++t) {
        Fibre& f = pool[t];
        f.stack.resize(kStack);
        f.done = false;
        f.index = {t % blockDim.x, (t / blockDim.x) % blockDim.y, t / (blockDim.x * blockDim.y)};
        getcontext(&f.context);
        f.context.uc_stack.ss_sp = f.stack.data();
        f.context.uc_stack.ss_size = kStack;
        f.context.uc_link = nullptr;
        makecontext(&f.context, entry, 0);
    }
    for (bool left = true; left;) {
        left = false;
        for (unsigned t = 0; t < count; ++t) {
            Fibre& f = pool[t];
            if (f.done) continue;
            current = &f;
            threadIdx = f.index;
            swapcontext(&scheduler, &f.context);
            left = left || !f.done;
        }
    }
}
}  // namespace fibres

static inline void __syncthreads() {
    fibres::Fibre* self = fibres::current;
    swapcontext(&self->context, &fibres::scheduler);
}

// Set by the launcher to the dynamic shared memory of the running block.
static char* emulated_shared;

static void emulate(void (*kernel)(const void*), const void* args, const unsigned* grid,
                    const unsigned* block, size_t shared) {
    std::vector<char> memory(shared + 64);
    emulated_shared = reinterpret_cast<char*>((reinterpret_cast<uintptr_t>(memory.data()) + 31) & ~uintptr_t(31));
    fibres::body = kernel;
    fibres::arguments = args;
    blockDim = {block[0], block[1], block[2]};
    gridDim = {grid[0], grid[1], grid[2]};
    for (unsigned z = 0; z < grid[2]; ++z)
        for (unsigned y = 0; y < grid[1]; ++y)
            for (unsigned x = 0; x < grid[0]; ++x) {
                blockIdx = {x, y, z};
                fibres::run_block(block[0] * block[1] * block[2]);
            }
}
