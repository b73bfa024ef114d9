// Runs CUDA kernels on a CPU: each thread of a block is a fibre, __syncthreads() hands over to the
// next one. Slow and exact enough to compare every kernel with the reference where there is no
// card. Included before the kernels' source (g++ -include). For x86-64.
#pragma once
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

// Saves the registers a function must keep and the stack, and goes on with another stack.
extern "C" void switch_stack(void** save, void* load);
asm(".text\n.globl switch_stack\n.type switch_stack,@function\nswitch_stack:\n"
    "pushq %rbp\npushq %rbx\npushq %r12\npushq %r13\npushq %r14\npushq %r15\n"
    "movq %rsp, (%rdi)\nmovq %rsi, %rsp\n"
    "popq %r15\npopq %r14\npopq %r13\npopq %r12\npopq %rbx\npopq %rbp\nret\n");

namespace fibres {
constexpr size_t kStack = 64 * 1024;
struct Fibre {
    void* stack_pointer;
    std::vector<char> stack;
    uint3_ index;
    bool done;
    int waits_for;  // a meeting: of its warp, of its block, or none
};
enum { NONE, WARP, BLOCK };
constexpr unsigned kWarp = 32;
static std::vector<Fibre> pool;
static void* scheduler;
static Fibre* current;
static void (*body)(const void*);
static const void* arguments;

static void entry() {
    body(arguments);
    current->done = true;
    switch_stack(&current->stack_pointer, scheduler);
    abort();
}

static void prepare(Fibre& f) {
    f.stack.resize(kStack);
    uintptr_t top = reinterpret_cast<uintptr_t>(f.stack.data() + kStack) & ~uintptr_t(15);
    void** sp = reinterpret_cast<void**>(top);
    *--sp = nullptr;  // keeps the stack aligned as a call would
    *--sp = reinterpret_cast<void*>(entry);
    for (int r = 0; r < 6; ++r) *--sp = nullptr;
    f.stack_pointer = sp;
    f.done = false;
    f.waits_for = NONE;
}

// Lets fibres first..end go on if all of them that are not done wait for this meeting.
static bool meet(unsigned first, unsigned end, int meeting) {
    bool any = false;
    for (unsigned t = first; t < end; ++t) {
        if (pool[t].done) continue;
        if (pool[t].waits_for != meeting) return false;
        any = true;
    }
    for (unsigned t = first; t < end; ++t) pool[t].waits_for = NONE;
    return any;
}

static void wait_for(int meeting) {
    Fibre* self = current;
    self->waits_for = meeting;
    switch_stack(&self->stack_pointer, scheduler);
}

static void run_block(unsigned count) {
    if (pool.size() < count) pool.resize(count);
    for (unsigned t = 0; t < count; ++t) {
        prepare(pool[t]);
        pool[t].index = {t % blockDim.x, (t / blockDim.x) % blockDim.y,
                         t / (blockDim.x * blockDim.y)};
    }
    for (bool left = true; left;) {
        left = false;
        bool moved = false;
        for (unsigned t = 0; t < count; ++t) {
            Fibre& f = pool[t];
            if (f.done || f.waits_for != NONE) continue;
            current = &f;
            threadIdx = f.index;
            switch_stack(&scheduler, f.stack_pointer);
            moved = true;
        }
        for (unsigned first = 0; first < count; first += kWarp)
            moved = meet(first, first + kWarp < count ? first + kWarp : count, WARP) || moved;
        moved = meet(0, count, BLOCK) || moved;
        for (unsigned t = 0; t < count; ++t) left = left || !pool[t].done;
        if (left && !moved) {
            fprintf(stderr, "threads of a block wait for each other in different places\n");
            abort();
        }
    }
}
}  // namespace fibres

static inline void __syncthreads() { fibres::wait_for(fibres::BLOCK); }
static inline void __syncwarp() { fibres::wait_for(fibres::WARP); }

// For whole warps only.
static inline float __shfl_xor_sync(unsigned, float value, int other) {
    static float given[1024];
    const unsigned self = threadIdx.x + blockDim.x * (threadIdx.y + blockDim.y * threadIdx.z);
    given[self] = value;
    __syncwarp();
    const float taken = given[self ^ (unsigned)other];
    __syncwarp();
    return taken;
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
