#include "pool.hpp"

#include <stdlib.h>

#ifndef VERDIGRIS_SOURCES
#define VERDIGRIS_SOURCES "unknown"
#endif

#ifdef _WIN32
#include <windows.h>
typedef SRWLOCK Lock;
typedef CONDITION_VARIABLE Bell;
typedef HANDLE Thread;
static void make(Lock* l) { InitializeSRWLock(l); }
static void make(Bell* b) { InitializeConditionVariable(b); }
static void lock(Lock* l) { AcquireSRWLockExclusive(l); }
static void unlock(Lock* l) { ReleaseSRWLockExclusive(l); }
static void wait(Bell* b, Lock* l) { SleepConditionVariableSRW(b, l, INFINITE, 0); }
static void ring(Bell* b) { WakeAllConditionVariable(b); }
static void unmake(Lock*) {}
static void unmake(Bell*) {}
#define ENTRY static DWORD WINAPI
static bool begin(Thread* t, DWORD(WINAPI* entry)(void*), void* given) {
    *t = CreateThread(nullptr, 0, entry, given, 0, nullptr);
    return *t != nullptr;
}
static void join(Thread t) { WaitForSingleObject(t, INFINITE), CloseHandle(t); }
#else
#include <pthread.h>
typedef pthread_mutex_t Lock;
typedef pthread_cond_t Bell;
typedef pthread_t Thread;
static void make(Lock* l) { pthread_mutex_init(l, nullptr); }
static void make(Bell* b) { pthread_cond_init(b, nullptr); }
static void lock(Lock* l) { pthread_mutex_lock(l); }
static void unlock(Lock* l) { pthread_mutex_unlock(l); }
static void wait(Bell* b, Lock* l) { pthread_cond_wait(b, l); }
static void ring(Bell* b) { pthread_cond_broadcast(b); }
static void unmake(Lock* l) { pthread_mutex_destroy(l); }
static void unmake(Bell* b) { pthread_cond_destroy(b); }
#define ENTRY static void*
static bool begin(Thread* t, void* (*entry)(void*), void* given) {
    return pthread_create(t, nullptr, entry, given) == 0;
}
static void join(Thread t) { pthread_join(t, nullptr); }
#endif

#define MOST 256

struct Pool {
    Lock guard;
    Bell work_there, work_done;
    Thread thread[MOST];
    int threads, helpers;   // the caller's own counted, and not
    bool ending, busy;
    Work work;
    void* context;
    int count, next, left;  // pieces, the next to take, those not done
};

// Takes pieces until none are left. Called and left with the lock held.
static void take_pieces(Pool* p) {
    while (p->next < p->count) {
        const int piece = p->next++;
        const Work work = p->work;
        void* context = p->context;
        unlock(&p->guard);
        work(context, piece);
        lock(&p->guard);
        if (--p->left == 0) ring(&p->work_done);
    }
}

ENTRY help(void* given) {
    Pool* p = static_cast<Pool*>(given);
    lock(&p->guard);
    while (!p->ending) {
        take_pieces(p);
        if (!p->ending) wait(&p->work_there, &p->guard);
    }
    unlock(&p->guard);
    return 0;
}

EXPORTED Pool* verdigris_pool(int threads) {
    Pool* p = static_cast<Pool*>(calloc(1, sizeof(Pool)));
    if (!p) return nullptr;
    make(&p->guard);
    make(&p->work_there);
    make(&p->work_done);
    const int wanted = threads < 1 ? 1 : (threads > MOST ? MOST : threads);
    while (p->helpers < wanted - 1 && begin(&p->thread[p->helpers], help, p)) ++p->helpers;
    p->threads = p->helpers + 1;
    return p;
}

EXPORTED void verdigris_pool_end(Pool* p) {
    if (!p) return;
    lock(&p->guard);
    p->ending = true;
    ring(&p->work_there);
    unlock(&p->guard);
    for (int n = 0; n < p->helpers; ++n) join(p->thread[n]);
    unmake(&p->guard);
    unmake(&p->work_there);
    unmake(&p->work_done);
    free(p);
}

int threads_of(const Pool* p) { return p ? p->threads : 1; }

void run_pieces(Pool* p, Work work, void* context, int count) {
    bool alone = !p || p->helpers == 0 || count < 2;
    if (!alone) {
        lock(&p->guard);
        alone = p->busy;
        if (!alone) {
            p->busy = true;
            p->work = work, p->context = context;
            p->count = p->left = count;
            p->next = 0;
            ring(&p->work_there);
            take_pieces(p);
            while (p->left) wait(&p->work_done, &p->guard);
            p->count = p->next = 0;
            p->busy = false;
        }
        unlock(&p->guard);
    }
    if (alone)
        for (int piece = 0; piece < count; ++piece) work(context, piece);
}

// ---------------------------------------------------------------- what this library is

// What the library was made from; native_build.py finds it in the file.
EXPORTED const char* verdigris_sources() { return "sources:" VERDIGRIS_SOURCES; }

#if defined(__x86_64__) || defined(_M_X64)
#include <cpuid.h>

// Compiled for any x86-64, so that the library of the lowest level can be asked on every one.
__attribute__((target("arch=x86-64"))) static int processor_level() {
    unsigned a, b, c, d;
    if (!__get_cpuid(1, &a, &b, &c, &d)) return 1;
    const unsigned basic = c;
    // SSE3, SSSE3, CMPXCHG16B, SSE4.1, SSE4.2, POPCNT
    const unsigned second = 1u | 1u << 9 | 1u << 13 | 1u << 19 | 1u << 20 | 1u << 23;
    if ((basic & second) != second) return 1;
    // FMA, MOVBE, OSXSAVE, AVX, F16C; then AVX2, BMI1, BMI2
    const unsigned third = 1u << 12 | 1u << 22 | 1u << 27 | 1u << 28 | 1u << 29;
    if ((basic & third) != third || !__get_cpuid_count(7, 0, &a, &b, &c, &d)) return 2;
    const unsigned extended = b, vectors = 1u << 3 | 1u << 5 | 1u << 8;
    unsigned kept, upper;
    __asm__("xgetbv" : "=a"(kept), "=d"(upper) : "c"(0));
    if ((extended & vectors) != vectors || (kept & 6u) != 6u) return 2;
    // AVX-512 F, DQ, CD, BW, VL, and the system keeps their registers
    const unsigned fourth = 1u << 16 | 1u << 17 | 1u << 28 | 1u << 30 | 1u << 31;
    return (extended & fourth) == fourth && (kept & 0xe6u) == 0xe6u ? 4 : 3;
}

// The highest x86-64 level of this processor, 1 to 4. Source: x86-64 psABI, section 3.1.1.
EXPORTED int verdigris_processor_level() { return processor_level(); }
#else
EXPORTED int verdigris_processor_level() { return 0; }
#endif
